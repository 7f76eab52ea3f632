package imager

import (
	"fmt"
	"io"
	"iter"
	"slices"
	"sort"

	"turnstone/device/sector"
	"turnstone/imager/video"
	"turnstone/imager/volume/tree"
)

// stream is a file's bytes, or those of several behind each other, for package video.
type stream struct {
	f       *Files
	extents []tree.Extent
	holes   []tree.Span
	buf     []byte
	beside  bool // it lies beside the image: its addresses count 2,324 bytes a sector
}

// streamOf joins files.
func (f *Files) streamOf(files ...File) *stream {
	if len(files) == 1 && files[0].beside > 0 {
		return f.streamBeside(files[0])
	}
	var joined tree.Node
	for _, x := range files {
		for _, e := range x.Extents {
			joined.Append(e)
		}
	}
	s := &stream{f: f, extents: joined.Extents}
	s.holes = slices.Collect(tree.Holes(&f.img.good, s.extents))
	return s
}

// Size is that of video.Source.
func (s *stream) Size() int64 {
	if n := len(s.extents); n > 0 {
		return s.extents[n-1].Offset + s.extents[n-1].Length
	}
	return 0
}

// Holes is that of video.Source. Sectors that turn out to be rotten are not among them.
func (s *stream) Holes(in video.Span) iter.Seq[video.Span] {
	return func(yield func(video.Span) bool) {
		i := sort.Search(len(s.holes), func(i int) bool { return s.holes[i].End > in.First })
		for ; i < len(s.holes) && s.holes[i].First < in.End; i++ {
			h := video.Span{First: max(s.holes[i].First, in.First), End: min(s.holes[i].End, in.End)}
			if h.First < h.End && !yield(h) {
				return
			}
		}
	}
}

// past is where what is missing at a byte ends: behind the hole or, where a sector is rotten,
// behind 2,048 bytes.
func (s *stream) past(at int64) int64 {
	for h := range s.Holes(video.Span{First: at, End: s.Size()}) {
		if h.First == at {
			return h.End
		}
		break
	}
	return (at/sector.Size + 1) * sector.Size
}

// missing is how many bytes of a part are missing.
func (s *stream) missing(in video.Span) (n int64) {
	for h := range s.Holes(in) {
		n += h.Len()
	}
	return n
}

// ReadAt is that of video.Source.
func (s *stream) ReadAt(p []byte, at int64) (n int, err error) {
	i := sort.Search(len(s.extents), func(i int) bool { return s.extents[i].Offset+s.extents[i].Length > at })
	for ; i < len(s.extents) && n < len(p); i++ {
		e := s.extents[i]
		from := at + int64(n) - e.Offset
		part := p[n:min(int64(len(p)), int64(n)+e.Length-from)]
		k := 0
		switch e.Place {
		case tree.Zeros:
			clear(part)
			k = len(part)
		case tree.Recorded:
			if s.beside {
				k = s.f.beside.readAt(part, e.At+from)
			} else if k, err = s.readImage(part, e.At+from); err != nil {
				return n, err
			}
		}
		if n += k; k < len(part) {
			return n, fmt.Errorf("byte %d of a file: %w", at+int64(n), video.ErrMissing)
		}
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// readImage reads bytes of the image up to the first that is missing or rotten.
func (s *stream) readImage(p []byte, at int64) (int, error) {
	want := sector.Range{First: sector.LBA(at / sector.Size), End: sector.LBA((at + int64(len(p)) + sector.Size - 1) / sector.Size)}
	for run := range s.f.img.good.In(want) {
		if run.First > want.First {
			break
		}
		if n := int(run.Bytes()); cap(s.buf) < n {
			s.buf = make([]byte, n)
		}
		b := s.buf[:run.Bytes()]
		rotten, err := s.f.img.readGood(b, run)
		if err != nil {
			return 0, err
		}
		if bad, ok := rotten.Next(run.First); ok {
			b = b[:(bad.First - run.First).Offset()]
		}
		return copy(p, b[min(int64(len(b)), at-want.First.Offset()):]), nil
	}
	return 0, nil
}
