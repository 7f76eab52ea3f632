package mapfile

import (
	"encoding/binary"
	"iter"

	"turnstone/device/sector"
)

// states is what the map knows of every sector, and the counts of it.
type states struct {
	sectors int64      // of the disc
	written sector.Set // within sectors
	area    int64      // sectors of written

	pages     sparse[page]
	good, bad int64   // of the written area
	won       []int64 // by pass, of the whole disc
}

// pageRange is the sectors of page n that lie on the disc.
func (s *states) pageRange(n uint32) sector.Range {
	first := sector.LBA(n) * pageSectors
	return sector.Range{First: first, End: min(first+pageSectors, sector.LBA(s.sectors))}
}

// inPage is the mask, in page n, of the sectors that r has there.
func inPage(n uint32, r sector.Range) mask {
	first := sector.LBA(n) * pageSectors
	return maskOf(int(max(r.First-first, 0)), int(min(r.End-first, pageSectors)))
}

// writtenIn is the mask, in page n, of the written area.
func (s *states) writtenIn(n uint32) mask {
	r := s.pageRange(n)
	if s.written.Covers(r) {
		return inPage(n, r)
	}
	var m mask
	for part := range s.written.In(r) {
		m = m.or(inPage(n, part))
	}
	return m
}

// pagesOf goes through the pages that r touches, and r's sectors in each.
func pagesOf(r sector.Range) iter.Seq2[uint32, mask] {
	return func(yield func(uint32, mask) bool) {
		for a := r.First; a < r.End; {
			n := uint32(a / pageSectors)
			if !yield(n, inPage(n, r)) {
				return
			}
			a = sector.LBA(n+1) * pageSectors
		}
	}
}

// count adds a page's states to the counts, or with sign -1 takes them off.
func (s *states) count(n uint32, p *page, sign int64) {
	written := s.writtenIn(n)
	s.good += sign * int64(p.good.and(written).count())
	s.bad += sign * int64(p.bad.and(written).count())
}

// countWon adds a page's winners to the counts.
func (s *states) countWon(p *page) {
	if p.wins == nil {
		if n := p.good.count(); n > 0 {
			s.won[p.won] += int64(n)
		}
		return
	}
	for i := p.good.scan(0, 0); i < pageSectors; i = p.good.scan(i+1, 0) {
		s.won[p.wins[i]]++
	}
}

// setDisc changes the disc's size and its written area, and counts anew.
func (s *states) setDisc(sectors int64, written sector.Set) {
	s.sectors, s.written, s.area = sectors, written, written.Count()
	s.good, s.bad = 0, 0
	for n, p := range s.pages.all() {
		if !p.good.or(p.bad).empty() {
			s.count(n, p, 1)
		}
	}
}

// fail makes the untried sectors of m bad.
func (s *states) fail(n uint32, m mask) (changed bool) {
	p := s.pages.touch(n)
	fresh := m.andNot(p.good.or(p.bad))
	p.bad = p.bad.or(fresh)
	s.bad += int64(fresh.and(s.writtenIn(n)).count())
	return !fresh.empty()
}

// come makes the sectors of m good. The sum of sector i of the page is
// sums[i-shift]. Sectors that were good already are left; those of them whose
// sum differs are returned.
func (s *states) come(n uint32, m mask, pass uint16, sums []uint32, shift int) (changed bool, differ mask) {
	p := s.pages.touch(n)
	fresh, known := m.andNot(p.good), m.and(p.good)
	for i := known.scan(0, 0); i < pageSectors; i = known.scan(i+1, 0) {
		if p.sum(i) != sums[i-shift] {
			differ.set(i)
		}
	}
	if fresh.empty() {
		return false, differ
	}
	written := s.writtenIn(n)
	s.bad -= int64(fresh.and(p.bad).and(written).count())
	s.good += int64(fresh.and(written).count())
	s.won[pass] += int64(fresh.count())
	p.win(fresh, pass, sums, shift)
	return true, differ
}

// rot makes a good sector untried.
func (s *states) rot(a sector.LBA) (changed bool) {
	p, i := s.at(a)
	if p == nil || !p.good.has(i) {
		return false
	}
	if s.written.Contains(a) {
		s.good--
	}
	s.won[p.winner(i)]--
	p.lose(i)
	return true
}

// at is the page of a sector and its place there; nil where the page was never
// touched or a is not on the disc.
func (s *states) at(a sector.LBA) (*page, int) {
	if a < 0 || int64(a) >= s.sectors {
		return nil, 0
	}
	return s.pages.get(uint32(a / pageSectors)), int(a % pageSectors)
}

// ranges goes through the maximal ranges of r's sectors that pick tells of each
// page, in order. Pick gets nil for a page that was never touched.
func (s *states) ranges(r sector.Range, pick func(*page) mask) iter.Seq[sector.Range] {
	return func(yield func(sector.Range) bool) {
		var open sector.Range
		for n, in := range pagesOf(r.Intersect(sector.Range{End: sector.LBA(s.sectors)})) {
			m := pick(s.pages.get(n)).and(in)
			first := sector.LBA(n) * pageSectors
			for from, end := m.next(0); from < pageSectors; from, end = m.next(end) {
				part := sector.Range{First: first + sector.LBA(from), End: first + sector.LBA(end)}
				if part.First == open.End && !open.Empty() {
					open.End = part.End
					continue
				}
				if !open.Empty() && !yield(open) {
					return
				}
				open = part
			}
		}
		if !open.Empty() {
			yield(open)
		}
	}
}

// runs is how many maximal ranges ranges goes through.
func (s *states) runs(r sector.Range, pick func(*page) mask) (n int) {
	before, last := uint64(0), uint32(0) // the last sector of the page before, as a bit, and that page
	for i, in := range pagesOf(r.Intersect(sector.Range{End: sector.LBA(s.sectors)})) {
		m := pick(s.pages.get(i)).and(in)
		if i != last+1 {
			before = 0
		}
		n += m.andNot(mask{m[0]<<1 | before, m[1]<<1 | m[0]>>63}).count()
		before, last = m[1]>>63, i
	}
	return n
}

// State is the state of a sector; Untried for one that is not on the disc.
func (m *Map) State(a sector.LBA) State {
	p, i := m.states.at(a)
	if p == nil {
		return Untried
	}
	return p.state(i)
}

// Ranges goes through the sectors of r in state s, as maximal ranges in order,
// whether they belong to the written area or not. The map must not change
// meanwhile.
func (m *Map) Ranges(s State, r sector.Range) iter.Seq[sector.Range] {
	return m.states.ranges(r, picked(s))
}

// picked picks a page's sectors in state s.
func picked(s State) func(*page) mask {
	none := page{}
	return func(p *page) mask {
		if p == nil {
			p = &none
		}
		return p.in(s)
	}
}

// In is the sectors of the written area in state s. It takes 16 bytes a run: Ranges
// goes through the same without.
func (m *Map) In(s State) sector.Set {
	var set sector.Set
	for area := range m.states.written.Runs() {
		set.Grow(m.states.runs(area, picked(s)))
		for r := range m.Ranges(s, area) {
			set.Add(r)
		}
	}
	return set
}

// Count is the number of sectors of the written area in state s.
func (m *Map) Count(s State) int64 {
	switch s {
	case Good:
		return m.states.good
	case Bad:
		return m.states.bad
	case Untried:
		return m.states.area - m.states.good - m.states.bad
	}
	return 0
}

// Sum is the CRC-32C of a good sector and the pass that won it; not ok for a
// sector that is not good, and on a bare map.
func (m *Map) Sum(a sector.LBA) (sum uint32, pass int, ok bool) {
	p, i := m.states.at(a)
	if p == nil || !p.good.has(i) || m.bare {
		return 0, 0, false
	}
	return p.sum(i), int(p.winner(i)), true
}

// Winner is the pass that won a good sector; not ok for a sector that is not good.
func (m *Map) Winner(a sector.LBA) (pass int, ok bool) {
	p, i := m.states.at(a)
	if p == nil || !p.good.has(i) {
		return 0, false
	}
	return int(p.winner(i)), true
}

// Sums goes through the good sectors of r in order: ranges of neighbours, not
// always maximal, and the CRC-32C of each of their sectors. The sums are valid
// until the next ones; the map must not change meanwhile. A bare map has none.
func (m *Map) Sums(r sector.Range) iter.Seq2[sector.Range, []uint32] {
	return func(yield func(sector.Range, []uint32) bool) {
		if m.bare {
			return
		}
		var sums [pageSectors]uint32
		for n, in := range pagesOf(r.Intersect(sector.Range{End: sector.LBA(m.states.sectors)})) {
			p := m.states.pages.get(n)
			if p == nil {
				continue
			}
			first, good := sector.LBA(n)*pageSectors, p.good.and(in)
			for from, end := good.next(0); from < pageSectors; from, end = good.next(end) {
				at := p.rank(from)
				for i := range sums[:end-from] {
					sums[i] = binary.LittleEndian.Uint32(p.sums[at+sumBytes*i:])
				}
				part := sector.Range{First: first + sector.LBA(from), End: first + sector.LBA(end)}
				if !yield(part, sums[:end-from]) {
					return
				}
			}
		}
	}
}

// Won is the number of sectors whose data the image has from the pass.
func (m *Map) Won(pass int) int64 {
	if pass < 0 || pass >= len(m.states.won) {
		return 0
	}
	return m.states.won[pass]
}

// WonSet is the sectors whose data the image has from the pass.
func (m *Map) WonSet(pass int) sector.Set {
	var set sector.Set
	if pass < 0 || pass >= len(m.states.won) {
		return set
	}
	disc := sector.Range{End: sector.LBA(m.states.sectors)}
	set.Grow(m.states.runs(disc, func(p *page) mask {
		if p == nil || p.wins == nil && p.won != uint16(pass) {
			return mask{}
		}
		return p.good // about so many, where several passes won a page's sectors
	}))
	for r := range m.states.ranges(disc, func(p *page) mask {
		if p == nil {
			return mask{}
		}
		return p.wonBy(uint16(pass))
	}) {
		set.Add(r)
	}
	return set
}
