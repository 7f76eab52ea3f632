package imager

import (
	"context"
	"errors"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/volume"
	"turnstone/imager/volume/tree"
)

// A file of a Video CD's streams lies in sectors of form 2: the file system counts 2,048
// bytes for each of them, and 2,324 belong to the film. It is read beside the image:
//
//	sector n of the file   ── bytes 24 to 2347 of the raw sector ──▶  byte 2,324·n of the film
const (
	formTwoFrom = 24
	formTwoUser = 2324
)

// beside is where files are read that lie in sectors of form 2.
type beside struct {
	*formTwo
	read *os.File
	buf  []byte
}

// openBeside opens what lies beside the image of a case; nil where nothing does.
func openBeside(dir string) (*beside, error) {
	s, err := loadFormTwo(dir)
	if err != nil || s.sectors.Empty() {
		return nil, err
	}
	b := &beside{formTwo: s}
	b.read, err = os.Open(filepath.Join(dir, formTwoName))
	if errors.Is(err, fs.ErrNotExist) {
		s.good = sector.Set{}
		err = nil
	}
	return b, err
}

// knownBeside is what lies beside the image of a case, for looking where files lie and how
// whole they are: nothing is read from there. It is nil where nothing does.
func knownBeside(dir string) (*beside, error) {
	s, err := loadFormTwo(dir)
	if err != nil || s.sectors.Empty() {
		return nil, err
	}
	return &beside{formTwo: s}, nil
}

func (b *beside) close() error {
	if b == nil || b.read == nil {
		return nil
	}
	return b.read.Close()
}

// holds is how many sectors an entry has where all of them are of form 2, and how many of
// them are missing; else 0.
func (b *beside) holds(e *volume.Entry) (sectors, missing int64) {
	if b == nil || e.Kind != tree.Regular {
		return 0, 0
	}
	for _, x := range e.Extents {
		r := x.Sectors()
		if x.Place != tree.Recorded || !b.sectors.Covers(r) {
			return 0, 0
		}
		sectors += r.Count()
		missing += r.Count() - b.good.CountIn(r)
	}
	return sectors, missing
}

// lacks goes through the bytes of an entry that lies beside the image which are not there.
func (b *beside) lacks(e *volume.Entry) iter.Seq[tree.Span] {
	return func(yield func(tree.Span) bool) {
		n := int64(0) // sectors of the file before the extent
		var open tree.Span
		for _, x := range e.Extents {
			r := x.Sectors()
			rest := sector.Of(r)
			rest = rest.Subtract(&b.good)
			for gap := range rest.Runs() {
				from := (n + int64(gap.First-r.First)) * formTwoUser
				if at := (tree.Span{First: from, End: from + gap.Count()*formTwoUser}); at.First == open.End {
					open.End = at.End
				} else {
					if open.First < open.End && !yield(open) {
						return
					}
					open = at
				}
			}
			n += r.Count()
		}
		if open.First < open.End {
			yield(open)
		}
	}
}

// bytesOf is that of Files, for a file that lies beside the image.
func (b *beside) bytesOf(ctx context.Context, x File, do func(at tree.Span, what fill, data []byte) error) error {
	if b.buf == nil {
		b.buf = make([]byte, 0, largest*formTwoUser)
	}
	raw := make([]byte, device.RawSize)
	n := int64(0) // sectors of the file so far
	open, what := tree.Span{}, fillMissing
	flush := func() error {
		if open.First == open.End {
			return nil
		}
		var data []byte
		if what == fillData {
			data = b.buf
		}
		err := do(open, what, data)
		b.buf, open.First = b.buf[:0], open.End
		return err
	}
	for _, e := range x.Extents {
		for a := e.Sectors().First; a < e.Sectors().End; a, n = a+1, n+1 {
			now := b.sector(a, raw)
			if now != what || len(b.buf) == cap(b.buf) {
				if err := errors.Join(ctx.Err(), flush()); err != nil {
					return err
				}
				what = now
			}
			if now == fillData {
				b.buf = append(b.buf, raw[formTwoFrom:formTwoFrom+formTwoUser]...)
			}
			open.End = (n + 1) * formTwoUser
		}
	}
	return flush()
}

// streamBeside is a file that lies beside the image.
func (f *Files) streamBeside(x File) *stream {
	var joined tree.Node
	for _, e := range x.Extents {
		r := e.Sectors()
		joined.Append(tree.Extent{Length: r.Count() * formTwoUser, At: int64(r.First) * formTwoUser})
	}
	return &stream{f: f, extents: joined.Extents, holes: slices.Collect(f.beside.lacks(x.Entry)), beside: true}
}

// readAt reads bytes up to the first of a sector that is missing or rotten, at an address
// that counts 2,324 for each sector.
func (b *beside) readAt(p []byte, at int64) (n int) {
	raw := make([]byte, device.RawSize)
	for n < len(p) && b.read != nil && b.sector(sector.LBA(at/formTwoUser), raw) == fillData {
		k := copy(p[n:], raw[formTwoFrom+at%formTwoUser:formTwoFrom+formTwoUser])
		n, at = n+k, at+int64(k)
	}
	return n
}

// sector reads a raw sector, and says whether it is there and is what it should be.
func (b *beside) sector(a sector.LBA, raw []byte) fill {
	if !b.good.Contains(a) {
		return fillMissing
	}
	if _, err := b.read.ReadAt(raw, int64(a)*device.RawSize); err != nil {
		return fillRotten
	}
	if _, ok := rawHolds(a, raw); !ok {
		return fillRotten
	}
	return fillData
}
