package imager

import (
	"bytes"
	"errors"
	"io"
	"iter"
	"os"
	"syscall"

	"turnstone/device/sector"
)

// written goes through the parts of r where the image may hold something else
// than zeros: all of r where the file system can't tell.
func written(f *os.File, r sector.Range) iter.Seq[sector.Range] {
	const seekData, seekHole = 3, 4 // linux/fs.h
	return func(yield func(sector.Range) bool) {
		if f == nil {
			yield(r)
			return
		}
		for at := r.First.Offset(); at < r.End.Offset(); {
			data, err := f.Seek(at, seekData)
			if errors.Is(err, syscall.ENXIO) {
				return // only a hole until the end of the file
			}
			hole := r.End.Offset()
			if err != nil {
				data = at
			} else if h, err := f.Seek(data, seekHole); err == nil {
				hole = h
			}
			part := sector.Range{
				First: sector.LBA(data / sector.Size),
				End:   sector.LBA((hole + sector.Size - 1) / sector.Size),
			}.Intersect(r)
			if part.Empty() || !yield(part) {
				return
			}
			at = part.End.Offset()
		}
	}
}

// readsAsZeros tells whether a file holds nothing but zeros from one byte to
// another, and can be read there.
func readsAsZeros(f *os.File, from, to int64) bool {
	zeros, buf := make([]byte, 1<<20), make([]byte, 1<<20)
	whole := sector.Range{First: sector.LBA(from / sector.Size), End: sector.LBA((to + sector.Size - 1) / sector.Size)}
	for part := range written(f, whole) {
		for at, end := max(from, part.First.Offset()), min(to, part.End.Offset()); at < end; {
			n, err := f.ReadAt(buf[:min(int64(len(buf)), end-at)], at)
			if !bytes.Equal(buf[:n], zeros[:n]) || err != nil && err != io.EOF || n == 0 {
				return false
			}
			at += int64(n)
		}
	}
	return true
}
