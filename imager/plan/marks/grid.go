package marks

import (
	"math"

	"turnstone/device/sector"
)

// The cells of the surface.
const (
	ringTurns = 12  // turns of a ring: 9 µm of radius on a DVD
	angles    = 360 // cells of a turn
)

// grid is the surface under a leg in fine cells: how many blocks came that passed
// well over a cell, and how many failed.
//
// A block stays readable while its code can make up for what a mark takes, a burst of
// some length. So a block that came clears what it passed over but for a burst at both
// ends, and of a mark that stops all blocks exactly its extent is left uncleared:
//
//	block that came     ├─burst─┤░░░░░░░░░░░ cleared ░░░░░░░░░░░├─burst─┤
//	mark                                                      ███████████████████
//
// Sectors that came of a block that failed clear all that they passed over.
type grid struct {
	leg        *leg
	rings      int
	came, fail []uint8 // by ring and angle
	label      []int32 // of the mark that lies there; 0: none
	share      float64 // of a block that a burst is
}

// bursts is what the code of a kind of disc makes up for, in mm of track: of a DVD 16
// rows of 182 bytes (ECMA-267 clause 20 [memory], 0.397 mm each), of a CD 3874 bits of
// data, about 2.5 mm, of a BD 9920 bytes, about 7 mm [memory].
var bursts = map[string]float64{"dvd": 6.3, "cd": 2.5, "bd": 7}

// gridOf is the surface as it was seen.
func gridOf(l *leg, s *Sights, burst float64) *grid {
	g := &grid{leg: l, rings: int(l.turn(float64(l.blocks))/ringTurns) + 1}
	n := g.rings * angles
	g.came, g.fail, g.label = make([]uint8, n), make([]uint8, n), make([]int32, n)
	g.share = min(burst/l.length, 0.25)
	share := g.share
	for k := range l.blocks {
		b := l.first + k
		switch s.state[b] {
		case came:
			g.cover(g.came, float64(k)+share, float64(k)+1-share)
		case failed:
			for _, r := range s.part[b] {
				g.cover(g.came, s.at(l, r.First), s.at(l, r.End))
			}
			g.failed(k, s)
		}
	}
	return g
}

// at is a sector's place on a leg, in blocks.
func (s *Sights) at(l *leg, a sector.LBA) float64 {
	return float64(a)/float64(s.block) - float64(l.first)
}

// failed counts a block that failed where it may have done so.
func (g *grid) failed(k int, s *Sights) {
	at, end := float64(k)+g.share, float64(k)+1-g.share
	for _, r := range s.part[g.leg.first+k] {
		g.cover(g.fail, at, min(s.at(g.leg, r.First), end))
		at = max(at, s.at(g.leg, r.End))
	}
	g.cover(g.fail, at, end)
}

// cover counts the cells whose middle lies between two places of the track, given in
// blocks.
func (g *grid) cover(counts []uint8, from, to float64) {
	if from >= to {
		return
	}
	a, b := g.leg.turn(from), g.leg.turn(to)
	ring := min(int(a/ringTurns), g.rings-1)
	row := counts[ring*angles : (ring+1)*angles]
	first := int(math.Ceil(a*angles - .5))
	within := func(n int) bool { return (float64(first+n)+.5)/angles < b }
	n := min(angles, max(0, int(b*angles-.5)-first)) // cells, but for what rounding does
	for n > 0 && !within(n-1) {
		n--
	}
	for n < angles && within(n) {
		n++
	}
	at := first % angles
	once := min(n, angles-at)
	count(row[at : at+once])
	count(row[:n-once]) // beyond the end of the turn
}

// count counts one more in each cell.
func count(cells []uint8) {
	for i, n := range cells {
		if n < math.MaxUint8 {
			cells[i] = n + 1
		}
	}
}

// rule is what makes a cell one of a mark: nothing came over it in its ring, or little
// in three rings.
type rule struct {
	alone  int     // blocks that failed in its ring, at least, where none came; 0: rings alone say nothing
	wider  int     // that failed in three
	passes float64 // share that came in three, at most
}

// Marks that stop all; of the blocks that these don't explain, marks that stop most; and
// of those that are left, marks that stop all on this surface and did not before.
var (
	all  = rule{2, 6, .04}
	most = rule{0, 6, .45}
	anew = rule{0, 6, .04}
)

// stopped tells whether what passes over a cell is stopped there.
func (g *grid) stopped(i int, by rule) bool {
	f, c := int(g.fail[i]), int(g.came[i])
	if by.alone > 0 && f >= by.alone && c == 0 {
		return true
	}
	if f == 0 {
		return false
	}
	for _, j := range [2]int{i - angles, i + angles} {
		if j >= 0 && j < len(g.fail) {
			f += int(g.fail[j])
			c += int(g.came[j])
		}
	}
	return f >= by.wider && float64(c) <= by.passes*float64(f+c)
}

// run is neighbouring cells of a ring; to may pass the end of the turn.
type run struct {
	ring, from, to int
}

// runs are the stopped cells of a ring, as runs.
func (g *grid) runs(ring int, by rule) []run {
	at := func(c int) bool { return g.stopped(ring*angles+c%angles, by) }
	first := -1
	for c := range angles {
		if at(c) && !at(c+angles-1) {
			first = c
			break
		}
	}
	if first < 0 {
		if at(0) {
			return []run{{ring: ring, to: angles}}
		}
		return nil
	}
	var all []run
	for c := first; c < first+angles; c++ {
		if !at(c) {
			continue
		}
		r := run{ring: ring, from: c}
		for c < first+angles && at(c) {
			c++
		}
		r.to = c
		all = append(all, r)
	}
	return all
}
