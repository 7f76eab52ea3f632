package marks

import (
	"cmp"
	"slices"
)

// shed takes out the patches that are but the shadow of larger ones. A block that came
// leaves a burst at either end uncleared. So where a block passed a mark's edge by luck, the
// mark is lost in that ring, and uncleared is a place beside it that no block happens to clear,
// for two that came end near it:
//
//	mark                        ████████████
//	came      ──────────┤burst├
//	failed           ├──────────────────────────
//	came, by luck      ├burst├──────────────────
//	uncleared           ▓▓▓▓▓                      narrower than a burst
//
// A patch as narrow as that tells of no more than that its blocks failed. When it was found
// they were enough that nothing larger explained (find.go); but the larger ones have since been
// made whole, and lie over rings in which they had been lost. A narrow one goes that has too few
// blocks left which pass over none of them: its others count with them, these few with the
// rest. New marks are left alone, and take none: what lies beside them is of earlier rounds.
func (g *grid) shed(patches []patch) (kept []patch, rest []int) {
	order := make([]int, len(patches)) // those that explain most first
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(len(patches[b].owns), len(patches[a].owns)) })
	clear(g.label)
	gone := make([]bool, len(patches))
	for _, i := range order {
		p := &patches[i]
		if p.fresh {
			continue
		}
		if g.narrow(p) {
			theirs, left := g.theirs(p.owns)
			if gone[i] = len(left) < leastBlocks; gone[i] {
				for by, owns := range theirs {
					q := &patches[by]
					q.owns = append(slices.Clip(q.owns), owns...)
					slices.Sort(q.owns)
				}
				rest = append(rest, left...)
				continue
			}
		}
		for _, r := range p.runs {
			for c := r.from; c < r.to; c++ {
				if at := &g.label[r.ring*angles+c%angles]; *at == 0 {
					*at = int32(i + 1)
				}
			}
		}
	}
	for i, p := range patches {
		if !gone[i] {
			kept = append(kept, p)
		}
	}
	return kept, rest
}

// narrow tells whether a patch is no wider than a burst, in the mean.
func (g *grid) narrow(p *patch) bool {
	burst := g.share / g.leg.perTurn(float64(p.owns[0])) // turns
	return float64(p.cells()) <= burst*angles*float64(len(p.runs))
}

// theirs are, of some blocks, those that pass over a patch that is labelled, by the first
// one; and those that pass over none.
func (g *grid) theirs(blocks []int) (theirs map[int][]int, left []int) {
	theirs = map[int][]int{}
next:
	for _, k := range blocks {
		for m := range g.under(k) {
			theirs[int(m-1)] = append(theirs[int(m-1)], k)
			continue next
		}
		left = append(left, k)
	}
	return theirs, left
}
