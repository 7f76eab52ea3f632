package marks

import (
	"cmp"
	"slices"
)

// Cells in which failures are looked for that no mark explains.
const (
	hazeStep   = 0.5 // mm
	hazeShare  = .25 // of the blocks that begin in a band, at least, fail unexplained
	hazeBlocks = 12
)

// hazy are the regions, all round, in which many blocks failed that no mark explains:
// some come and some don't, and at no angle all of them do.
func (g *grid) hazy(rest []int, s *Sights) (found []Mark) {
	l := g.leg
	inner, outer := min(l.begins, l.ends), max(l.begins, l.ends)
	n := int((outer-inner)/hazeStep) + 1
	bad, all := make([]int, n), make([]int, n)
	band := func(k int) int { return min(int((l.radius(float64(k))-inner)/hazeStep), n-1) }
	for k := range l.blocks {
		if s.state[l.first+k] != unseen {
			all[band(k)]++
		}
	}
	for _, k := range rest {
		bad[band(k)]++
	}
	for b := 0; b < n; b++ {
		first := b
		for b < n && bad[b] >= hazeBlocks && float64(bad[b]) >= hazeShare*float64(all[b]) {
			b++
		}
		if b == first {
			continue
		}
		in, out := inner+float64(first)*hazeStep, min(outer, inner+float64(b)*hazeStep)
		m := Mark{Kind: Hazy, Inner: in, Outer: out, To: 1, Middle: Place{Radius: (in + out) / 2}}
		m.Ends = [2]Place{m.Middle, m.Middle}
		m.Length, m.Wide = 2*out, 2*out
		for _, k := range rest {
			if x := band(k); first <= x && x < b {
				m.blocks = append(m.blocks, l.first+k)
				m.Costs += s.missing(l.first + k)
			}
		}
		found = append(found, m)
	}
	return found
}

// sortByCost puts the costliest first.
func sortByCost(ms []Mark) {
	slices.SortStableFunc(ms, func(a, b Mark) int { return cmp.Compare(b.Costs, a.Costs) })
}
