// Package videotest makes streams with holes for tests.
package videotest

import (
	"fmt"
	"io"
	"iter"

	"turnstone/imager/video"
)

// Holed is a stream in memory of which some bytes are missing.
type Holed struct {
	Data    []byte
	Missing []video.Span // in order, apart from each other
}

// Size is that of video.Source.
func (h *Holed) Size() int64 { return int64(len(h.Data)) }

// Holes is that of video.Source.
func (h *Holed) Holes(in video.Span) iter.Seq[video.Span] {
	return func(yield func(video.Span) bool) {
		for _, m := range h.Missing {
			m = video.Span{First: max(m.First, in.First), End: min(m.End, in.End, h.Size())}
			if m.First < m.End && !yield(m) {
				return
			}
		}
	}
}

// ReadAt is that of video.Source.
func (h *Holed) ReadAt(p []byte, at int64) (int, error) {
	if at < 0 || at >= h.Size() {
		return 0, io.EOF
	}
	end := min(at+int64(len(p)), h.Size())
	for m := range h.Holes(video.Span{First: at, End: end}) {
		return copy(p, h.Data[at:m.First]), fmt.Errorf("byte %d: %w", m.First, video.ErrMissing)
	}
	n := copy(p, h.Data[at:end])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// Zeroed is the data with zeros in its holes.
func (h *Holed) Zeroed() []byte {
	b := append([]byte(nil), h.Data...)
	for _, m := range h.Missing {
		clear(b[m.First:min(m.End, h.Size())])
	}
	return b
}
