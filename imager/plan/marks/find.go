package marks

import (
	"cmp"
	"iter"
	"math"
	"slices"
)

// patch is a place that stops what passes over it, and what it explains.
type patch struct {
	runs   []run
	blocks []int  // of the leg, that failed and pass over it
	owns   []int  // those of them that it explains
	fresh  bool   // blocks came over its place in earlier rounds
	strip  *strip // that suits it; nil where it was not put together
}

const leastBlocks = 9 // that a mark explains

// find finds the patches that explain the blocks that failed: the one that explains
// most first, then the one that explains most of the rest, as long as there are some
// that explain enough. So what is only the shadow of other marks is left out.
func (g *grid) find(s *Sights) (found []patch, rest []int) {
	for k := range g.leg.blocks {
		if s.state[g.leg.first+k] == failed {
			rest = append(rest, k)
		}
	}
	found, rest = g.explain(all, rest)
	clear(g.fail)
	clear(g.label)
	for _, k := range rest {
		g.failed(k, s)
	}
	more, rest := g.explain(most, rest)
	found = append(found, more...)
	if s.old == nil {
		return found, rest
	}
	fresh, rest := g.fresh(s, rest)
	return append(found, fresh...), rest
}

// under are the labels of the cells that a block passes over, in the order of its track;
// of neighbouring cells with the same label once, of those without none.
func (g *grid) under(k int) iter.Seq[int32] {
	return func(yield func(int32) bool) {
		a, b := g.leg.turn(float64(k)), g.leg.turn(float64(k+1))
		row := g.label[min(int(a/ringTurns), g.rings-1)*angles:]
		last := int32(0)
		first := int(math.Floor(a * angles))
		for c := first; c < first+angles && float64(c)/angles < b; c++ {
			if m := row[c%angles]; m != 0 && m != last {
				if !yield(m) {
					return
				}
				last = m
			}
		}
	}
}

// explain explains blocks that failed by the cells that are stopped by a rule.
func (g *grid) explain(by rule, bad []int) (found []patch, rest []int) {
	var all []patch
	for _, runs := range g.courses(by) {
		all = append(all, patch{runs: runs})
		for _, r := range runs {
			for c := r.from; c < r.to; c++ {
				g.label[r.ring*angles+c%angles] = int32(len(all))
			}
		}
	}
	for _, k := range bad {
		for m := range g.under(k) {
			p := &all[m-1]
			if n := len(p.blocks); n == 0 || p.blocks[n-1] != k {
				p.blocks = append(p.blocks, k)
			}
		}
	}
	explained := make([]bool, g.leg.blocks)
	left := func(p *patch) int {
		n := 0
		for _, k := range p.blocks {
			if !explained[k] {
				n++
			}
		}
		return n
	}
	order := make([]int, 0, len(all)) // by what they may explain, most first
	for i := range all {
		if len(all[i].blocks) >= leastBlocks {
			order = append(order, i)
		}
	}
	most := func(a, b int) int { return cmp.Compare(len(all[b].blocks), len(all[a].blocks)) }
	slices.SortStableFunc(order, most)
	for len(order) > 0 {
		p := &all[order[0]]
		n := left(p)
		if n < leastBlocks {
			order = order[1:]
			continue
		}
		if n < len(p.blocks) && len(order) > 1 && n < len(all[order[1]].blocks) {
			// Another may explain more now: this one counts for what it still can.
			kept := p.blocks[:0]
			for _, k := range p.blocks {
				if !explained[k] {
					kept = append(kept, k)
				}
			}
			p.blocks = kept
			at, _ := slices.BinarySearchFunc(order[1:], n, func(i, n int) int { return cmp.Compare(n, len(all[i].blocks)) })
			i := order[0]
			copy(order, order[1:1+at])
			order[at] = i
			continue
		}
		for _, k := range p.blocks {
			if !explained[k] {
				explained[k] = true
				p.owns = append(p.owns, k)
			}
		}
		found = append(found, *p)
		order = order[1:]
	}
	for _, k := range bad {
		if !explained[k] {
			rest = append(rest, k)
		}
	}
	return found, rest
}
