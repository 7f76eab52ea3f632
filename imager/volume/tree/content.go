package tree

import (
	"fmt"
	"io"
	"iter"
	"sort"

	"turnstone/device/sector"
)

// Span is bytes of a file, from First up to and not including End.
type Span struct{ First, End int64 }

// Holes goes through the bytes of extents that the image does not hold, in order,
// neighbours joined.
func Holes(good *sector.Set, extents []Extent) iter.Seq[Span] {
	return func(yield func(Span) bool) {
		var hole Span
		more := func(first, end int64) bool {
			if first >= end {
				return true
			}
			if hole.End == first && hole.First < hole.End {
				hole.End = end
				return true
			}
			if hole.First < hole.End && !yield(hole) {
				hole = Span{}
				return false
			}
			hole = Span{first, end}
			return true
		}
		for _, e := range extents {
			switch e.Place {
			case Unplaced:
				if !more(e.Offset, e.Offset+e.Length) {
					return
				}
			case Recorded:
				at := e.At // bytes up to here are dealt with
				for run := range good.In(e.Sectors()) {
					if !more(e.Offset+at-e.At, e.Offset+run.First.Offset()-e.At) {
						return
					}
					at = min(run.End.Offset(), e.At+e.Length)
				}
				if !more(e.Offset+at-e.At, e.Offset+e.Length) {
					return
				}
			}
		}
		if hole.First < hole.End {
			yield(hole)
		}
	}
}

// Content reads a file's bytes from an image.
type Content struct {
	img     Image
	extents []Extent
	size    int64
}

// NewContent reads the file of the extents, in order of offset and without gap.
func NewContent(img Image, extents []Extent) *Content {
	c := &Content{img: img, extents: extents}
	if n := len(extents); n > 0 {
		c.size = extents[n-1].Offset + extents[n-1].Length
	}
	return c
}

// ReadAt is io.ReaderAt's. A *MissingError is returned when a byte lies in a
// sector that is missing, an error that matches ErrMissing when nobody knows
// where it lies; what came before such a byte is delivered.
func (c *Content) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("read at byte %d of a file", off)
	}
	done := 0
	i := sort.Search(len(c.extents), func(i int) bool { return c.extents[i].Offset+c.extents[i].Length > off })
	var buf [sector.Size]byte
	for ; i < len(c.extents) && done < len(p); i++ {
		e := c.extents[i]
		for at := off + int64(done) - e.Offset; at < e.Length && done < len(p); at = off + int64(done) - e.Offset {
			want := p[done:min(int64(len(p)), int64(done)+e.Length-at)]
			switch e.Place {
			case Unplaced:
				return done, fmt.Errorf("byte %d of the file is at an unknown place: %w", off+int64(done), ErrMissing)
			case Zeros:
				clear(want)
				done += len(want)
			case Recorded:
				a := sector.LBA((e.At + at) / sector.Size)
				if err := c.img.ReadSector(a, buf[:]); err != nil {
					return done, err
				}
				done += copy(want, buf[(e.At+at)%sector.Size:])
			}
		}
	}
	if done < len(p) {
		return done, io.EOF
	}
	return done, nil
}

// Size is the number of bytes.
func (c *Content) Size() int64 { return c.size }
