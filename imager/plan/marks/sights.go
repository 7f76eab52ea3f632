package marks

import (
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// What is known of a block.
const (
	unseen uint8 = iota // it is missing, and was not asked for on this surface
	came
	failed // it was asked for on this surface, and is missing
)

// Sights is how the blocks of a disc stood after a round: what was in the image, and
// what had failed on that round's surface.
type Sights struct {
	block int64
	state []uint8
	part  map[int][]sector.Range // of blocks that failed in part: what came of them
	old   []bool                 // of blocks that came: in an earlier round; nil where none did
	bad   int64                  // blocks that failed
}

// NewSights is of a disc of which nothing was asked yet.
func NewSights(sectors, block int64) *Sights {
	block = max(1, block)
	return &Sights{block: block, state: make([]uint8, (sectors+block-1)/block), part: map[int][]sector.Range{}}
}

// After is how the blocks of a case's disc stood after a round.
func After(m *mapfile.Map, round int) *Sights {
	d := m.Disc()
	s := NewSights(d.Sectors, d.BlockSectors)
	passes := m.Passes()
	for n, p := range passes {
		if p.Round != round || p.Drive < 0 {
			continue
		}
		for r := range m.Runs(n) {
			if !r.Result.Came() {
				s.Fail(r.Range)
			}
		}
	}
	good := m.Ranges(mapfile.Good, sector.Span(0, d.Sectors))
	if round < len(m.Rounds())-1 {
		var set sector.Set
		for n, p := range passes {
			if p.Round <= round {
				won := m.WonSet(n)
				set = set.Union(&won)
			}
		}
		good = set.Runs()
	}
	for r := range good {
		s.Come(r)
	}
	for n, p := range passes {
		if p.Round < round {
			won := m.WonSet(n)
			for r := range won.Runs() {
				s.Earlier(r)
			}
		}
	}
	return s
}

// Fail notes that sectors were asked for and did not come.
func (s *Sights) Fail(r sector.Range) {
	for b := range s.of(r) {
		if s.state[b] != failed {
			s.state[b] = failed
			s.bad++
		}
	}
}

// Come notes neighbouring sectors that are in the image, as many as there are. Where
// the sectors of a block come in parts, what came of it is told once it has failed.
func (s *Sights) Come(r sector.Range) {
	for b := range s.of(r) {
		whole := sector.Span(sector.LBA(int64(b)*s.block), s.block)
		in := whole.Intersect(r)
		if in == whole || b == len(s.state)-1 && in.First == whole.First {
			if s.state[b] == failed {
				s.bad--
			}
			s.state[b] = came
			continue
		}
		s.part[b] = append(s.part[b], in)
	}
}

// Earlier notes that neighbouring sectors came in an earlier round: they tell nothing of
// what has happened to the surface since.
func (s *Sights) Earlier(r sector.Range) {
	if s.old == nil {
		s.old = make([]bool, len(s.state))
	}
	for b := range s.of(r) {
		s.old[b] = true
	}
}

// of goes through the blocks of some sectors.
func (s *Sights) of(r sector.Range) func(func(int) bool) {
	return func(yield func(int) bool) {
		if r.Empty() {
			return
		}
		for b := int64(r.First) / s.block; b <= (int64(r.End)-1)/s.block; b++ {
			if b >= 0 && b < int64(len(s.state)) && !yield(int(b)) {
				return
			}
		}
	}
}

// Failed is how many blocks failed.
func (s *Sights) Failed() int64 { return s.bad }

// missing is how many sectors of a block that failed are missing.
func (s *Sights) missing(b int) int64 {
	n := s.block
	for _, r := range s.part[b] {
		n -= r.Count()
	}
	return max(0, n)
}
