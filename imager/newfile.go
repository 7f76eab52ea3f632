package imager

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// partTail is how the name of a file ends that is being made.
const partTail = ".part"

// makeFile makes a file, for its owner only, out of what write writes. It has its name
// once it is whole and durable, and until then lies beside it under a name of its own,
// which is taken again where a killed program has left it. An error that is fs.ErrExist is
// returned when the file is there already, before write is called.
func makeFile(path string, write func(io.Writer) error) (err error) {
	taken := func() error {
		if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
			return nil
		} else if err != nil {
			return err
		}
		return &fs.PathError{Op: "make", Path: path, Err: fs.ErrExist}
	}
	if err := taken(); err != nil {
		return err
	}
	defer func() { err = byOwnName(path, err) }()
	f, err := openPart(path + partTail)
	if errors.Is(err, fs.ErrNotExist) {
		return NoFolder(path)
	} else if err != nil {
		return err
	}
	defer func() {
		if rerr := os.Remove(f.Name()); !errors.Is(rerr, fs.ErrNotExist) { // it has no other name
			err = errors.Join(err, rerr)
		}
		err = errors.Join(err, f.Close())
	}()
	if err = write(unnamed{f, path}); err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = taken()
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// NoFolder is the error of what can't be made at path, since there is no folder for it.
func NoFolder(path string) error {
	return fmt.Errorf("%s: there is no folder %s to make it in", path, filepath.Dir(filepath.Clean(path)))
}

// unnamed is what is written of a file that is to get a name.
type unnamed struct {
	f    *os.File
	path string
}

func (w unnamed) Write(p []byte) (int, error) {
	n, err := w.f.Write(p)
	return n, byOwnName(w.path, err)
}

// byOwnName is an error of a file that is being made, told by the name that it was to get.
func byOwnName(path string, err error) error {
	if e, ok := errors.AsType[*fs.PathError](err); ok && e.Path == path+partTail {
		e.Path = path
	}
	return err
}

// openPart opens the file for what is not whole yet, empty, and holds it for this process.
func openPart(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) || err == nil && !stillNamed(f) {
		err = fmt.Errorf("%s: another process writes it at this moment", path)
	}
	if err == nil {
		_ = f.Chmod(0o600) // FAT knows no owners
		err = f.Truncate(0)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// stillNamed tells whether a file has its name still: who held it before may have given
// it another.
func stillNamed(f *os.File) bool {
	a, err1 := f.Stat()
	b, err2 := os.Lstat(f.Name())
	return err1 == nil && err2 == nil && os.SameFile(a, b)
}
