package imager

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"turnstone/device/sector"
	"turnstone/imager/pack"
	"turnstone/mapfile"
)

// OpenPassFile opens a pass file for being merged: unpacked. The errors are those of the
// system and of package pack; nothing of it is believed before it was proven.
func OpenPassFile(file string) (*Source, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	s, err := NewPassSource(file, f)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	s.hold = append(s.hold, f)
	return s, nil
}

// NewPassSource is a pass file that comes in one stream, under a name; OpenPassFile's
// errors.
func NewPassSource(name string, in io.Reader) (*Source, error) {
	r, err := pack.NewReader(in)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	s := &Source{Name: name, id: plain(r.Map.CaseID()), m: r.Map, disc: discTold(r.Map.Disc()), list: &r.List,
		from: &packedSupply{r: r}}
	s.hold = append(s.hold, closer(r.Close))
	return s, nil
}

type closer func()

func (f closer) Close() error { f(); return nil }

// Rounds is the rounds of the source, as its station numbers them; none of an image.
func (s *Source) Rounds() []mapfile.Round {
	if s.m == nil {
		return nil
	}
	return s.m.Rounds()
}

// packedSupply gives what a pass file holds, in its order: who asks for something goes
// past all that stands before it.
type packedSupply struct {
	r    *pack.Reader
	part *pack.Part // nil at the beginning, and behind the end
	run  int        // of the part's ranges, the one that was given from last
	data []byte     // from that range on
	end  error      // why there is no part
}

// next goes to the next part.
func (s *packedSupply) next() {
	s.part, s.end = s.r.Next()
	if s.end != nil {
		s.part = nil
		return
	}
	s.run, s.data = 0, s.part.Data
}

// before tells whether the part lies before that sector in the file's order.
func before(p *pack.Part, beside bool, pass int, at sector.LBA) bool {
	switch {
	case p.Raw:
		return false
	case p.Others != beside:
		return beside
	case p.Pass != pass:
		return p.Pass < pass
	}
	return len(p.Ranges) == 0 || p.Ranges[len(p.Ranges)-1].End <= at
}

var errNotPacked = errors.New("not in the pass file")

func (s *packedSupply) sectors(beside bool, pass int, p []byte, at sector.LBA) (n int, err error) {
	for len(p) > 0 {
		for s.end == nil && (s.part == nil || before(s.part, beside, pass, at)) {
			s.next()
		}
		switch {
		case s.end == io.EOF:
			return n, errNotPacked
		case s.end != nil:
			return n, fmt.Errorf("%w: %w", errNoMore, s.end)
		case s.part.Raw || s.part.Others != beside || s.part.Pass != pass:
			return n, errNotPacked
		case s.part.Err != nil:
			return n, s.part.Err
		}
		for s.part.Ranges[s.run].End <= at {
			s.data = s.data[s.part.Ranges[s.run].Bytes():]
			s.run++
		}
		in := s.part.Ranges[s.run]
		if !in.Contains(at) {
			return n, errNotPacked
		}
		got := copy(p, s.data[(at-in.First).Offset():in.Bytes()])
		p, at, n = p[got:], at+sector.LBA(got/sector.Size), n+got/sector.Size
	}
	return n, nil
}

// raws gives raw sectors that the file holds. It goes past all that stands before them. A
// sector that is not as it was packed has no data.
func (s *packedSupply) raws(ctx context.Context, do func(a sector.LBA, x pack.Raw) error) error {
	for ; ; s.next() {
		switch {
		case s.end == io.EOF:
			return nil
		case s.end != nil:
			return fmt.Errorf("%w: %w", errNoMore, s.end)
		case ctx.Err() != nil:
			return ctx.Err()
		case s.part == nil || !s.part.Raw:
			continue
		}
		for a, x := range s.part.Raws() {
			if err := do(a, x); err != nil {
				return err
			}
		}
	}
}

// finish reads the file to its end, and holds it against its SHA-256.
func (s *packedSupply) finish(ctx context.Context) error {
	for s.end == nil {
		if ctx.Err() != nil {
			return nil
		}
		s.next()
	}
	if s.end == io.EOF {
		return nil
	}
	return s.end
}
