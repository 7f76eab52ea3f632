package marks

import "slices"

// freshWide is the share of a block that a mark may take which was not there before: that
// much tells it from what all blocks asked for on this surface have in common by chance.
const freshWide = 0.5

// fresh finds marks that were not there in earlier rounds, as a treatment may leave. What
// came before they were clears their place, so none of the blocks that they stop is
// explained by a mark that all rounds know of. They are found by what was asked for on
// this surface alone: of blocks that came over their place long ago, and of sectors that
// are in the image, nothing is known any more. Where all that a new mark lies under is in
// the image, nothing is asked for, and it is not found; nothing is lost by it either.
func (g *grid) fresh(s *Sights, bad []int) (found []patch, rest []int) {
	clear(g.came)
	clear(g.fail)
	clear(g.label)
	for k := range g.leg.blocks {
		if b := g.leg.first + k; s.state[b] == came && !s.old[b] {
			g.cover(g.came, float64(k)+g.share, float64(k)+1-g.share)
		}
	}
	for _, k := range bad {
		g.cover(g.fail, float64(k)+g.share, float64(k)+1-g.share)
	}
	all, rest := g.explain(anew, bad)
	for _, p := range all {
		if float64(p.cells())/float64(len(p.runs)) > freshWide*angles/g.leg.perTurn(float64(p.blocks[0])) {
			rest = append(rest, p.owns...)
			continue
		}
		p.fresh = true
		found = append(found, p)
	}
	slices.Sort(rest)
	return found, rest
}

// cells is how many cells a patch has.
func (p *patch) cells() (n int) {
	for _, r := range p.runs {
		n += r.to - r.from
	}
	return n
}
