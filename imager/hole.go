package imager

import (
	"errors"
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
