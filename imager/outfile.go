package imager

import (
	"bytes"
	"errors"
	"os"
	"time"
)

// outFile is a file that is written and is not where it belongs yet.
type outFile struct {
	out     *outbox
	f       *os.File // nil: closed, and durable with the next sync of the file system
	as      string   // what it is to be called, below the folder
	name    string   // what it is called until then
	counts  bool     // it is one of those asked for
	size    int64
	written int64 // bytes of it that take room
	end     int64 // of what was written
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
		w.end = max(w.end, at)
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

// closeBelow is up to how many bytes a file is closed at once where a sync of the file
// system takes care of all. Large ones are synced by themselves: beside them the disk's
// other work need not be waited for.
const closeBelow = 1 << 20

// finish gives the file its length and its time; zero where none is known.
func (w *outFile) finish(size int64, modified time.Time) error {
	w.size = size
	if w.end != size {
		if err := w.f.Truncate(size); err != nil {
			return err
		}
	}
	if !modified.IsZero() {
		// A time that the file system can't hold is no reason to go without the file.
		_ = w.out.root.Chtimes(w.name, time.Time{}, modified)
	}
	if w.out.atOnce && w.written < closeBelow {
		f := w.f
		w.f = nil
		return f.Close()
	}
	return nil
}

// drop takes the file away again.
func (w *outFile) drop() (err error) {
	if w.f != nil {
		err = w.f.Close()
	}
	return errors.Join(err, w.out.root.Remove(w.name))
}
