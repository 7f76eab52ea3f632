package mapfile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime/debug"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	bbolterrors "go.etcd.io/bbolt/errors"
)

// How long a file is waited for that others hold. A reader holds it while it
// copies, a writer for one commit.
const (
	openPatience   = 10 * time.Second
	commitPatience = 2 * time.Second
)

// The file gets longer by growth at a time. It is mapped as if it had mapped
// bytes: where a file outgrows its mapping in the middle of a commit, bbolt
// copies all that the commit holds.
const (
	growth = 1 << 20
	mapped = 256 << 20
)

// spare is how much is allocated behind the end of the file, so that a disk that an
// image has filled to its last byte has room for the commit that calls its sectors
// good. A commit of 64 MiB needs less, also one of every second sector; one that is
// scattered over thousands of places may need more.
const spare = 2 << 20

// guarded runs f. A panic in it, also one for a fault in mapped memory, becomes
// ErrDamaged: f reads a file that may change or fail under the mapping, partly
// with code that takes it on trust.
func guarded(f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%w: %v", ErrDamaged, p)
		}
	}()
	return f()
}

// opener opens a database's file and keeps it, so that it can be closed, and
// its lock given up, after bbolt gave up half-way.
type opener struct {
	flag  int
	least int64 // bytes that the file is known to have
	file  *os.File
}

func (o *opener) open(path string, _ int, mode os.FileMode) (*os.File, error) {
	f, err := os.OpenFile(path, o.flag, mode)
	if err != nil {
		return nil, err
	}
	if o.flag&os.O_CREATE == 0 {
		info, err := f.Stat()
		switch {
		case err != nil:
		case info.Size() == 0: // bbolt would make a new database of it
			err = ErrEmpty
		case info.Size() < o.least:
			err = fmt.Errorf("%w: cut short, %d bytes of %d are left", ErrDamaged, info.Size(), o.least)
		}
		if err != nil {
			f.Close()
			return nil, err
		}
	}
	o.file = f
	return f, nil
}

// close gives up what bbolt holds where it gave up half-way, and does nothing
// where it closed the file itself. The lock is given up by name: the mapping,
// which is lost then, would keep it.
func (o *opener) close() {
	if o.file == nil {
		return
	}
	if fd := int(o.file.Fd()); fd >= 0 {
		syscall.Flock(fd, syscall.LOCK_UN)
	}
	o.file.Close()
}

func (o *opener) options(patience time.Duration) *bbolt.Options {
	options := &bbolt.Options{
		Timeout: patience, OpenFile: o.open, PageSize: dbPage,
		FreelistType: bbolt.FreelistArrayType, NoStatistics: true,
	}
	if o.flag == os.O_RDONLY {
		options.ReadOnly = true
	} else {
		options.InitialMmapSize = mapped
	}
	return options
}

// transact opens the file at path for writing and runs f in one transaction,
// which is durable when transact returns nil. F gets the file's length; least
// is the length that it is known to have. Began tells that f was done, and the
// file perhaps written to.
func transact(path string, flag int, patience time.Duration, least int64, f func(tx *bbolt.Tx, length int64) error) (began bool, err error) {
	o := opener{flag: flag, least: least}
	defer o.close()
	err = guarded(func() error {
		db, err := bbolt.Open(path, 0o600, o.options(patience))
		if err != nil {
			return whyNot(path, err)
		}
		db.AllocSize = growth
		info, err := o.file.Stat()
		if err != nil {
			return errors.Join(err, db.Close())
		}
		err = db.Update(func(tx *bbolt.Tx) error {
			err := f(tx, info.Size())
			began = err == nil
			return err
		})
		if err == nil {
			allocate(o.file)
		}
		return errors.Join(err, db.Close())
	})
	return began, inWords(path, err)
}

// allocate has the end of the file, and the spare behind it, allocated for the
// next commit. Where the file system can't, or has no room, nothing is lost: that
// commit may fail then, and says so.
func allocate(f *os.File) {
	const keepSize = 0x01 // linux/falloc.h
	if info, err := f.Stat(); err == nil {
		from := max(0, info.Size()-2*growth) // the file is longer than what is written of it
		_ = syscall.Fallocate(int(f.Fd()), keepSize, from, info.Size()+spare-from)
	}
}

// inspect maps the file at path for reading, under a shared lock, and runs f
// with its bytes, which are gone when inspect returns.
func inspect(path string, patience time.Duration, f func(data []byte) error) error {
	o := opener{flag: os.O_RDONLY}
	defer o.close()
	err := guarded(func() error {
		db, err := bbolt.Open(path, 0, o.options(patience))
		if err != nil {
			return whyNot(path, err)
		}
		return errors.Join(withBytes(o.file, f), db.Close())
	})
	return inWords(path, err)
}

// withBytes runs f with the bytes of a file.
func withBytes(file *os.File, f func(data []byte) error) error {
	info, err := file.Stat()
	if err != nil {
		return err
	}
	data, err := syscall.Mmap(int(file.Fd()), 0, int(info.Size()), syscall.PROT_READ, syscall.MAP_SHARED)
	if err != nil {
		return &fs.PathError{Op: "mmap", Path: file.Name(), Err: err}
	}
	defer syscall.Munmap(data)
	return f(data)
}

// inWords adds the path to an error that does not have it.
func inWords(path string, err error) error {
	var pathError *fs.PathError
	if err == nil || errors.As(err, &pathError) {
		return err
	}
	return fmt.Errorf("%s: %w", path, err)
}

// whyNot is why bbolt did not open the file at path, in this package's errors.
func whyNot(path string, cause error) error {
	var pathError *fs.PathError
	switch {
	case errors.Is(cause, bbolterrors.ErrTimeout):
		return ErrBusy
	case errors.As(cause, &pathError), errors.Is(cause, ErrEmpty), errors.Is(cause, ErrDamaged):
		return cause
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	start := make([]byte, 2*dbPage)
	n, err := io.ReadFull(f, start)
	if err != nil && err != io.ErrUnexpectedEOF {
		return err
	}
	if _, err := openTree(start[:n], func(string, ...any) {}); err != nil {
		return err
	}
	return fmt.Errorf("%w: %v", ErrDamaged, cause)
}
