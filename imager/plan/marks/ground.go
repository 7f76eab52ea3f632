package marks

import "math"

// ground is what strips are fitted to: how the blocks of a leg fared. A block is stopped
// that lies over more of a mark than its code makes up for, a burst. So those fail that
// end a burst and more behind where it begins, and begin a burst and more before it ends:
//
//	                     from                  to
//	mark                  █████████████████████
//	came     ├──────block──────┤
//	failed       ├──────block──────┤
//	failed                             ├──────block──────┤
//	came                                   ├──────block──────┤
//
// A ring tells an edge no better than its own blocks happen to begin and end near it,
// which may be a third of a turn. The edge is where what all rings tell agrees best.
type ground struct {
	g     *grid
	s     *Sights
	turns []float64 // at which blocks begin
	stops []int32   // by block that failed: what stops it, a patch's number and 1; 0: nothing that was found
}

const (
	fitRings  = 32   // of which the blocks are looked at, at most
	fitOthers = 1e-3 // of a block that came counts one that something else stops: next to nothing
)

// groundOf is what strips are fitted to that suit some patches. Of those that lie under a
// block that failed, the one stops it of which the largest share does.
func (g *grid) groundOf(patches []patch, s *Sights) *ground {
	l := g.leg
	f := &ground{g: g, s: s, turns: make([]float64, l.blocks+1), stops: make([]int32, l.blocks)}
	for k := range f.turns {
		f.turns[k] = l.turn(float64(k))
	}
	type part struct {
		run
		of int32
	}
	rings := make([][]part, g.rings)
	for i := range patches {
		for _, r := range patches[i].runs {
			rings[r.ring] = append(rings[r.ring], part{r, int32(i + 1)})
		}
	}
	for k := range l.blocks {
		if s.state[l.first+k] != failed {
			continue
		}
		a, b := f.turns[k], f.turns[k+1]
		most := 0.0
		for _, r := range rings[min(int(a/ringTurns), g.rings-1)] {
			wide := float64(r.to-r.from) / angles
			x := fraction(float64(r.from)/angles - a) // where it begins under the block, which may come by it twice
			under := max(0, min(b-a, x+wide)-x) + max(0, min(b-a, x-1+wide))
			if under/wide > most+1e-9 {
				most, f.stops[k] = under/wide, r.of
			}
		}
	}
	return f
}

// burst is how many turns a burst takes in a block.
func (f *ground) burst(k int) float64 { return f.g.share * (f.turns[k+1] - f.turns[k]) }

// fit is the strip around a given one that suits best how the blocks of its rings fared.
// Those that failed count where what stops them is the strip.
func (f *ground) fit(p strip, own func(stops int32) bool) strip {
	l := f.g.leg
	stride := (p.last-p.first)/fitRings + 1
	one := float64(stride) // of a block
	var room [2][512]look
	left, right := room[0][:0], room[1][:0]
	burst := 0.0 // turns
	for ring := p.first; ring <= p.last; ring += stride {
		down := p.down(ring)
		from, to := p.at(ring)
		mid := (from + to) / 2
		ends := func(at, weight float64) {
			if math.Abs(at-burst-from) < edgeReach {
				left = append(left, look{down, at - burst, weight})
			}
		}
		begins := func(at, weight float64) {
			if math.Abs(at+burst-to) < edgeReach {
				right = append(right, look{down, -(at + burst), weight})
			}
		}
		first := max(0, int(l.at(float64(ring*ringTurns))))
		end := min(l.blocks, int(l.at(float64((ring+1)*ringTurns)))+1)
		for k := first; k < end; k++ {
			b := l.first + k
			if f.s.state[b] == unseen {
				continue
			}
			half := (f.turns[k+1] - f.turns[k]) / 2
			burst = f.burst(k)
			x := f.turns[k] + half // the block's middle, in the turn around the strip's
			x -= math.Round(x - mid)
			switch {
			case f.s.state[b] == came && x < mid:
				ends(x+half, -one)
			case f.s.state[b] == came:
				begins(x-half, -one)
			case own(f.stops[k]):
				ends(x+half, one)
				begins(x-half, one)
			default:
				ends(x+half, -fitOthers)
				begins(x-half, -fitOthers)
			}
			if f.s.state[b] == came {
				continue
			}
			for _, r := range f.s.part[b] { // what came lies beside the mark, with no burst of it
				a := x + half*(2*(f.s.at(l, r.First)-float64(k))-1)
				z := x + half*(2*(f.s.at(l, r.End)-float64(k))-1)
				if a+z < 2*mid {
					ends(z+burst, -one)
				} else {
					begins(a-burst, -one)
				}
			}
		}
	}
	var more float64
	p.from, p.wrong = settled(left, p.from, p.slants())
	p.to, more = settled(right, [2]float64{-p.to[0], -p.to[1]}, p.slants())
	p.to = [2]float64{-p.to[0], -p.to[1]}
	p.wrong += more
	return p
}
