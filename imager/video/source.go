package video

import (
	"errors"
	"io"
	"iter"
)

// Span is bytes of a stream, from First up to and not including End.
type Span struct{ First, End int64 }

// Len is how many bytes it has.
func (s Span) Len() int64 { return s.End - s.First }

// Source is a stream of bytes of which some may be missing.
type Source interface {
	// ReadAt is io.ReaderAt's. At a byte that is missing it delivers what came before
	// it, with an error that matches ErrMissing; every other error but io.EOF says
	// that the image itself can't be read.
	io.ReaderAt
	Size() int64
	// Holes goes through the missing bytes that lie in a span, in order, neighbours
	// joined.
	Holes(in Span) iter.Seq[Span]
}

// ErrMissing is matched by the error of a Source where a byte is missing.
var ErrMissing = errors.New("missing")

// unit is how many bytes are missing together: a sector of a disc.
const unit = 2048

// window is how much is read at a time where a stream is gone through; where it is
// looked at here and there a few packs do.
const (
	window = 128 << 10
	glance = 4 * unit
)

// reader looks at a source through a window.
type reader struct {
	src   Source
	size  int64
	space []byte
	buf   []byte // what of it is filled
	at    int64  // where that begins
	ahead int    // how much is read at a time
	read  int64  // so far
	err   error  // the source can't be read
}

func newReader(src Source) *reader { return &reader{src: src, size: src.Size(), ahead: window} }

// peek is at least n bytes from pos on, up to window, and all that is at hand behind
// them; fewer where one is missing or the stream ends. It is valid until the next peek.
func (r *reader) peek(pos int64, n int) []byte {
	if pos < 0 || pos >= r.size || r.err != nil {
		return nil
	}
	if off := pos - r.at; off >= 0 && off+int64(n) <= int64(len(r.buf)) {
		return r.buf[off:]
	}
	if r.space == nil {
		r.space = make([]byte, window)
	}
	want := min(int64(max(n, r.ahead)), window, r.size-pos)
	k, err := r.src.ReadAt(r.space[:want], pos)
	if err != nil && !errors.Is(err, ErrMissing) && err != io.EOF {
		r.err = err
		return nil
	}
	r.buf, r.at = r.space[:k], pos
	r.read += int64(k)
	return r.buf
}

// past is the first byte behind a missing one that may be there: behind the hole, or
// where none is told of, as where a sector is rotten, behind the sector.
func (r *reader) past(pos int64) int64 {
	for h := range r.src.Holes(Span{pos, pos + 1}) {
		for h := range r.src.Holes(Span{pos, r.size}) {
			return max(h.End, pos+1)
		}
		return max(h.End, pos+1)
	}
	return (pos/unit + 1) * unit
}

// touched tells whether a byte of a span is missing.
func touched(src Source, s Span) bool {
	for range src.Holes(s) {
		return true
	}
	return false
}
