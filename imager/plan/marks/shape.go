package marks

import (
	"cmp"
	"math"
	"slices"
)

// shape is where a patch lies and what it looks like.
type shape struct {
	inner, outer float64 // mm
	from, to     float64 // turns; to may pass 1
	middle       Place
	ends         [2]Place // of its longest way
	length, wide float64  // mm, along that and across
	area         float64  // mm²
}

// xy is the place on the disc's plane, in mm.
func (p Place) xy() (x, y float64) {
	sin, cos := math.Sincos(2 * math.Pi * p.Angle)
	return p.Radius * cos, p.Radius * sin
}

// shapeOf is the shape of some runs of cells. Its middle is that of the strip that suits
// them, if there is one.
func (g *grid) shapeOf(runs []run, p *strip) shape {
	s := shape{inner: math.Inf(1)}
	var sx, sy, weight, sumR float64
	for _, r := range runs {
		radius := g.radius(r.ring)
		s.inner, s.outer = min(s.inner, g.edge(r.ring)), max(s.outer, g.edge(r.ring+1))
		if g.leg.ends < g.leg.begins {
			s.inner, s.outer = min(s.inner, g.edge(r.ring+1)), max(s.outer, g.edge(r.ring))
		}
		n := float64(r.to - r.from)
		x, y := Place{1, (float64(r.from) + n/2) / angles}.xy()
		sx, sy, weight, sumR = sx+n*x, sy+n*y, weight+n, sumR+n*radius
		s.area += n / angles * 2 * math.Pi * radius * math.Abs(g.edge(r.ring+1)-g.edge(r.ring))
	}
	// Angles count from the mean direction on, so that they don't tear apart.
	mean := math.Atan2(sy, sx) / (2 * math.Pi)
	lo, hi, sumA := math.Inf(1), math.Inf(-1), 0.0
	for _, r := range runs {
		half := float64(r.to-r.from) / 2 / angles
		mid := math.Remainder((float64(r.from)/angles+half)-mean, 1)
		lo, hi = min(lo, mid-half), max(hi, mid+half)
		sumA += 2 * half * angles * mid
	}
	s.middle = Place{sumR / weight, fraction(mean + sumA/weight)}
	if hi-lo >= 1 {
		s.from, s.to = 0, 1
	} else {
		s.from = fraction(mean + lo)
		s.to = s.from + hi - lo
	}
	s.axis(g, runs)
	s.middle.Angle = fraction(mean + median(runs, mean))
	if p != nil {
		ring, turn := p.heart()
		s.middle = Place{g.leg.radius(g.leg.at((ring + .5) * ringTurns)), fraction(turn)}
	}
	return s
}

// median is the angle, in turns from a mean one on, before and behind which half of the
// runs' middles lie, each by its width: what has grown to a mark at its edge moves it less
// than it moves their mean.
func median(runs []run, mean float64) float64 {
	type weighted struct{ mid, weight float64 }
	all := make([]weighted, len(runs))
	whole := 0.0
	for i, r := range runs {
		n := float64(r.to - r.from)
		all[i] = weighted{math.Remainder((float64(r.from)+n/2)/angles-mean, 1), n}
		whole += n
	}
	slices.SortFunc(all, func(a, b weighted) int { return cmp.Compare(a.mid, b.mid) })
	for _, w := range all {
		if whole -= 2 * w.weight; whole <= 0 {
			return w.mid
		}
	}
	return 0
}

// axis finds the longest way through the runs, by their principal axis.
func (s *shape) axis(g *grid, runs []run) {
	cx, cy := s.middle.xy()
	var xx, xy, yy, n float64
	each := func(do func(x, y float64)) {
		for _, r := range runs {
			radius := g.radius(r.ring)
			for c := r.from; c < r.to; c++ {
				x, y := Place{radius, (float64(c) + .5) / angles}.xy()
				do(x-cx, y-cy)
			}
		}
	}
	each(func(x, y float64) { xx, xy, yy, n = xx+x*x, xy+x*y, yy+y*y, n+1 })
	a := math.Atan2(2*xy, xx-yy) / 2
	sin, cos := math.Sincos(a)
	var low, high, left, right float64
	var first, last [2]float64
	each(func(x, y float64) {
		along, across := x*cos+y*sin, y*cos-x*sin
		if along <= low {
			low, first = along, [2]float64{x, y}
		}
		if along >= high {
			high, last = along, [2]float64{x, y}
		}
		left, right = min(left, across), max(right, across)
	})
	s.length, s.wide = high-low, right-left
	for i, p := range [][2]float64{first, last} {
		x, y := p[0]+cx, p[1]+cy
		s.ends[i] = Place{math.Hypot(x, y), fraction(math.Atan2(y, x) / (2 * math.Pi))}
	}
}

// edge is the radius at which a ring begins, in mm.
func (g *grid) edge(ring int) float64 {
	return g.leg.radius(min(max(0, g.leg.at(float64(ring*ringTurns))), float64(g.leg.blocks)))
}

// radius is that of a ring's middle.
func (g *grid) radius(ring int) float64 { return (g.edge(ring) + g.edge(ring+1)) / 2 }

func fraction(t float64) float64 {
	if f := t - math.Floor(t); f < 1 {
		return f
	}
	return 0
}
