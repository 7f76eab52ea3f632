package imager

import (
	"errors"
	"fmt"
	"os"
	"path"
	"slices"
	"strings"
	"time"
)

// outbox writes files into a folder so that none has its name before all of it is
// durable. They are written into trees of their own, a batch each, synced all at once
// beside the writing of the next batch, and then moved to where they belong: a folder
// that is not there yet with all that the batch has in it, else file by file.
//
//	DIR/.turnstone-part/3/films/a.vob ──sync──> DIR/films/a.vob
//
// What is begun and not named when a program is killed lies in that folder and nowhere
// else. All of it is done below an os.Root: no name leads out of DIR, nor any link
// that somebody puts there meanwhile.
type outbox struct {
	root    *os.Root
	top     *os.File // the folder: what failed on its file system since it was opened, a sync tells
	atOnce  bool     // one sync of the file system makes all of a batch durable
	batch   batch
	sending chan error // the batch before, while it is sent
	err     error      // of a batch; nothing is placed after it

	// Of the batch that is sent, and its own until it is:
	placed map[string]bool // folders that are where they belong
	mover  mover
	files  int // that have their names
	bytes  int64
}

// batch is files that are made durable together, and get their names then.
type batch struct {
	n       int
	tree    string // the folder that stands for DIR
	files   []*outFile
	size    int64
	folders map[string]bool // made in its tree
}

// workName is the folder of what has no name yet.
const workName = ".turnstone-part"

// A batch is synced when it has so many files, or bytes. Those of which each is synced
// by itself are held open meanwhile, and a process may have 1,024 files open (RLIMIT_NOFILE,
// as it is set as a rule [memory]).
const (
	batchFiles = 2048
	batchOpen  = 128
	batchBytes = 64 << 20
)

func openOutbox(dir string) (*outbox, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	if err := root.Mkdir(workName, 0o700); err != nil {
		return nil, errors.Join(err, root.Close())
	}
	o := &outbox{root: root, placed: map[string]bool{".": true}, mover: mover{root: root}}
	if o.top, err = root.Open("."); err == nil {
		o.atOnce = syncsAtOnce(o.top)
		err = o.begin(0)
	}
	if err != nil {
		return nil, errors.Join(err, o.close(nil, false))
	}
	return o, nil
}

// begin begins the n-th batch.
func (o *outbox) begin(n int) error {
	o.batch = batch{n: n, tree: path.Join(workName, fmt.Sprint(n)), folders: map[string]bool{".": true}}
	return o.root.Mkdir(o.batch.tree, 0o700)
}

// create begins a file that is to be called as, below the folder.
func (o *outbox) create(as string) (*outFile, error) {
	if o.err != nil {
		return nil, o.err
	}
	if err := o.folder(path.Dir(as)); err != nil {
		return nil, err
	}
	name := path.Join(o.batch.tree, as)
	f, err := o.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	return &outFile{out: o, f: f, as: as, name: name}, nil
}

// folder makes a folder, and those on the way to it, in the batch's tree.
func (o *outbox) folder(as string) error {
	if o.batch.folders[as] {
		return nil
	}
	if err := o.folder(path.Dir(as)); err != nil {
		return err
	}
	o.batch.folders[as] = true
	return o.root.Mkdir(path.Join(o.batch.tree, as), 0o700)
}

// place gives finished files their names, with the batch, in this order. None may be
// begun and not finished at that time.
func (o *outbox) place(files ...*outFile) error {
	for _, f := range files {
		o.batch.files = append(o.batch.files, f)
		o.batch.size += f.written
	}
	most := batchFiles
	if !o.atOnce {
		most = batchOpen
	}
	if len(o.batch.files) < most && o.batch.size < batchBytes {
		return nil
	}
	return o.send()
}

// send begins to sync and name the batch, once the one before is done.
func (o *outbox) send() error {
	o.wait()
	if o.err != nil {
		return o.err
	}
	full := o.batch
	o.sending = make(chan error, 1)
	go func() { o.sending <- o.deliver(full) }()
	return o.begin(full.n + 1)
}

// wait waits for the batch that is sent.
func (o *outbox) wait() {
	if o.sending != nil {
		o.err = errors.Join(o.err, <-o.sending)
		o.sending = nil
	}
}

// deliver makes files durable, and then known by their names.
func (o *outbox) deliver(b batch) error {
	err := o.sync(b.files)
	arrived := map[string]bool{} // folders that came with all that the batch has in them
	for _, f := range b.files {
		if !arrived[path.Dir(f.as)] {
			if err == nil {
				err = o.name(&b, f, arrived)
			}
			if err != nil {
				continue
			}
		}
		if f.counts {
			o.files++
			o.bytes += f.size
		}
	}
	return errors.Join(err, o.mover.close())
}

// name moves a file of a batch, or the folder that it came in, to where it belongs.
func (o *outbox) name(b *batch, f *outFile, arrived map[string]bool) error {
	top := f.as
	for dir := path.Dir(top); !o.placed[dir]; dir = path.Dir(dir) {
		top = dir
	}
	if err := o.mover.move(path.Join(b.tree, top), top); err != nil || top == f.as {
		return err
	}
	for dir := range b.folders {
		if dir == top || strings.HasPrefix(dir, top+"/") {
			o.placed[dir], arrived[dir] = true, true
		}
	}
	return nil
}

// close names what is written, gives folders their times, and makes the names durable.
// Those of the folders that nothing was written into are made too, where all is.
func (o *outbox) close(folders []job, all bool) error {
	if len(o.batch.files) > 0 {
		_ = o.send() // its error is kept
	}
	o.wait()
	err := errors.Join(o.err, o.root.RemoveAll(workName))
	for _, d := range folders {
		if err == nil && all && !o.placed[d.as] {
			err = o.root.Mkdir(d.as, 0o700)
			o.placed[d.as] = err == nil
		}
	}
	// The deepest first: what is made in a folder changes its time.
	for _, d := range slices.Backward(folders) {
		if o.placed[d.as] && !d.Modified.IsZero() {
			_ = o.root.Chtimes(d.as, time.Time{}, d.Modified) // as with files
		}
	}
	return errors.Join(err, o.syncNames(folders), o.top.Close(), o.root.Close())
}
