package imager

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"sync"
	"syscall"
	"time"
)

// outbox writes files into a folder so that none has its name before all of it is
// durable. They are written into a folder of its own, synced many at a time beside the
// writing of the next ones, and then moved to where they belong:
//
//	DIR/.turnstone-part/17 ──sync, with the rest of the batch──> DIR/films/a.vob
//
// What is begun and not named when a program is killed lies in that folder and nowhere
// else. All of it is done below an os.Root: no name leads out of DIR, nor any link
// that somebody puts there meanwhile.
type outbox struct {
	root    *os.Root
	n       int
	batch   []outgoing
	size    int64
	sending chan error // the batch before, while it is sent
	err     error      // of a batch; nothing is placed after it

	files int // that have their names
	bytes int64
}

// workName is the folder of what has no name yet.
const workName = ".turnstone-part"

// A batch is synced when it has so many files, or bytes. Where files are small one
// sync of the file system's journal serves all that wait for it at a time.
const (
	batchFiles = 128
	batchBytes = 64 << 20
)

// outgoing is a file that is written, and the name that it is to get.
type outgoing struct {
	file *outFile
	as   string
	size int64 // -1: a list beside a file, which does not count
}

func openOutbox(dir string) (*outbox, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	if err := root.Mkdir(workName, 0o700); err != nil {
		return nil, errors.Join(err, root.Close())
	}
	return &outbox{root: root}, nil
}

// folder makes a folder; those on the way to it are there.
func (o *outbox) folder(as string) error { return o.root.Mkdir(as, 0o700) }

// create begins a file.
func (o *outbox) create() (*outFile, error) {
	if o.err != nil {
		return nil, o.err
	}
	name := path.Join(workName, fmt.Sprint(o.n))
	o.n++
	f, err := o.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	return &outFile{root: o.root, f: f, name: name}, nil
}

// place gives a finished file its name, with the batch.
func (o *outbox) place(f outgoing) error {
	o.batch = append(o.batch, f)
	o.size += f.file.written
	if len(o.batch) < batchFiles && o.size < batchBytes {
		return nil
	}
	return o.send()
}

// send begins to sync and name the batch, once the one before is done.
func (o *outbox) send() error {
	o.wait()
	batch := o.batch
	o.batch, o.size = nil, 0
	if o.err != nil {
		drop(batch)
		return o.err
	}
	o.sending = make(chan error, 1)
	go func() { o.sending <- o.deliver(batch) }() // files and bytes are its own meanwhile
	return nil
}

// wait waits for the batch that is sent.
func (o *outbox) wait() {
	if o.sending != nil {
		o.err = errors.Join(o.err, <-o.sending)
		o.sending = nil
	}
}

// deliver makes files durable, and then known by their names.
func (o *outbox) deliver(batch []outgoing) error {
	errs := make([]error, len(batch))
	var all sync.WaitGroup
	for i, b := range batch {
		all.Go(func() { errs[i] = errors.Join(b.file.f.Sync(), b.file.f.Close()) })
	}
	all.Wait()
	for i, b := range batch {
		err := errs[i]
		if err == nil {
			err = o.name(b)
		}
		if err != nil {
			drop(batch[i:])
			return err
		}
		if b.size >= 0 {
			o.files++
			o.bytes += b.size
		}
	}
	return nil
}

// name moves a file to its place, where nothing is: the folder was empty, and no name
// was given twice; that somebody else has put something there is looked for.
func (o *outbox) name(b outgoing) error {
	if _, err := o.root.Lstat(b.as); !errors.Is(err, fs.ErrNotExist) {
		if err == nil {
			err = &fs.PathError{Op: "extract", Path: b.as, Err: fs.ErrExist}
		}
		return err
	}
	return o.root.Rename(b.file.name, b.as)
}

func drop(batch []outgoing) {
	for _, b := range batch {
		_ = b.file.drop() // the error that led here is the one that matters
	}
}

// close names what is written, gives the folders their times, and makes the names
// durable.
func (o *outbox) close(folders []job) error {
	if len(o.batch) > 0 {
		_ = o.send() // its error is kept
	}
	o.wait()
	err := o.err
	err = errors.Join(err, o.root.RemoveAll(workName))
	// The deepest first: what is made in a folder changes its time.
	for _, d := range slices.Backward(folders) {
		terr := o.syncFolder(d.as)
		if terr == nil && !d.Modified.IsZero() {
			_ = o.root.Chtimes(d.as, time.Time{}, d.Modified) // as with files
		}
		if errors.Is(terr, fs.ErrNotExist) { // it was not come to
			continue
		}
		err = errors.Join(err, terr)
	}
	return errors.Join(err, o.syncFolder("."), o.root.Close())
}

// syncFolder makes the names in a folder durable.
func (o *outbox) syncFolder(as string) error {
	f, err := o.root.Open(as)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, syscall.ENOTSUP) {
		return err
	}
	return nil
}

// outFile is a file that is written and has no name yet.
type outFile struct {
	root    *os.Root
	f       *os.File
	name    string
	written int64
}

// zeroUnit is what is left out of a file where it is all zeros.
const zeroUnit = 4096

// write puts bytes at their place, and leaves holes where they are zeros.
func (w *outFile) write(p []byte, at int64) error {
	for len(p) > 0 {
		zeros := leadingZeros(p)
		p, at = p[zeros:], at+int64(zeros)
		n := untilZeros(p)
		if n == 0 {
			continue
		}
		if _, err := w.f.WriteAt(p[:n], at); err != nil {
			return err
		}
		w.written += int64(n)
		p, at = p[n:], at+int64(n)
	}
	return nil
}

// leadingZeros is how many bytes of whole zero units p begins with.
func leadingZeros(p []byte) int {
	n := 0
	for len(p)-n >= zeroUnit && allZeros(p[n:n+zeroUnit]) {
		n += zeroUnit
	}
	return n
}

// untilZeros is how many bytes there are before a unit of zeros.
func untilZeros(p []byte) int {
	for n := 0; ; n += zeroUnit {
		if len(p)-n < zeroUnit {
			return len(p)
		}
		if allZeros(p[n : n+zeroUnit]) {
			return n
		}
	}
}

var zeroBytes [zeroUnit]byte

func allZeros(p []byte) bool { return bytes.Equal(p, zeroBytes[:len(p)]) }

// finish gives the file its length and its time; zero where none is known.
func (w *outFile) finish(size int64, modified time.Time) error {
	if err := w.f.Truncate(size); err != nil {
		return err
	}
	if !modified.IsZero() {
		// A time that the file system can't hold is no reason to go without the file.
		_ = w.root.Chtimes(w.name, time.Time{}, modified)
	}
	return nil
}

// drop takes the file away again.
func (w *outFile) drop() error {
	err := w.f.Close()
	if errors.Is(err, os.ErrClosed) {
		err = nil
	}
	return errors.Join(err, w.root.Remove(w.name))
}
