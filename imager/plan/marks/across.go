package marks

import (
	"math"
	"slices"
	"sync"

	"turnstone/device/spiral"
)

// Across the layers: two layers of a disc lie under the same surface, so what stops the
// reading of one stops that of the other at the same radius and angle. By it the angles of
// the second layer are brought to those of the first. By how much the two differ is, of two
// layers whose angles are fitted each by itself,
//
//	Δ(r) = even + slope·L(r) + bulge·Q(r)
//
// even: at which angle the second layer begins, which may be any; slope and bulge: what
// the two fits are off against each other, L running evenly from −½ to ½ over the radii and
// Q standing for 1/r less what of it is even, 0 at both ends and 1 midway. (A share by which
// turns hold more blocks, even in the square of the radius, adds up to a·r + b/r.)
//
// Each mark of one layer with each of the other at its radius says at which Δ they would lie
// over each other. The Δ for which most radii are is the one, if it is the only one, and if
// far fewer agree on any where the second layer's radii are shifted by some mm, so that
// nothing belongs together.
const (
	acrossMost   = 64  // marks of a layer, the costliest
	acrossRadius = .25 // mm, by which the middles of two marks may differ
	acrossWide   = .5  // turns, beyond which a mark says little of where it lies
	acrossRing   = .5  // mm: marks within that say it together
	acrossBins   = 72  // of Δ, a turn

	acrossReach = 2.5 // standard deviations of slope and bulge that are looked through
	slopeStep   = .06 // turns
	bulgeStep   = .05
	mostTries   = 80_000 // pairs of slope and bulge, beyond which nothing is looked for
	promising   = .7     // of the most, that a try must have
	mostUnlike  = 12     // that are fitted

	leastRings  = 5   // that agree, in all ...
	ringShare   = .8  // ... and of those where marks of both layers lie
	aboveChance = 1.2 // ... and times as many as on the best of shifted radii
	aboveOthers = 1.2 // or for another Δ
	otherDelta  = .08 // turns that another is off ...
	otherShare  = .4  // at as many of the rings that agree, at least
	nearDelta   = .04 // turns by which a pair may be off Δ
)

// acrossShifts are by how many mm radii are shifted so that nothing belongs together.
var acrossShifts = [...]float64{-2.9, -1.7, 1.3, 2.3}

// Across is how a second layer's angles stand to those of the first.
type Across struct {
	Pairs int     // marks that lie over each other
	Rings float64 // radii that agree, of Of
	Of    int
	Off   float64 // turns by which pairs are off, the root of their mean square

	delta delta
}

// Across is how the angles of layer 1 stand to those of layer 0, by the marks found on
// each; not ok where that can't be told.
func (d *Disc) Across(first, second Found) (x Across, ok bool) {
	if len(d.layers) != 2 || !d.layers[0].known || !d.layers[1].known {
		return x, false
	}
	a, b := &d.layers[0], &d.layers[1]
	x.delta.inner = max(min(a.begins, a.ends), min(b.begins, b.ends))
	x.delta.outer = min(max(a.begins, a.ends), max(b.begins, b.ends))
	if x.delta.outer-x.delta.inner < 1 {
		return x, false
	}
	f := d.fitting(x.delta)
	one, other := telling(first.Marks), telling(second.Marks)
	pairs := f.pairs(one, other, 0)
	best, next := f.search(pairs)
	x.Of = ringsOf(pairs)
	if best.rings < leastRings || best.rings < ringShare*float64(x.Of) || best.rings < aboveOthers*next {
		return x, false
	}
	var chance [len(acrossShifts)]try
	var shifts sync.WaitGroup
	for i, mm := range acrossShifts {
		shifts.Go(func() { chance[i], _ = f.search(f.pairs(one, other, mm)) })
	}
	shifts.Wait()
	for _, c := range chance {
		if best.rings < aboveChance*c.rings {
			return x, false
		}
	}
	square, weights := 0.0, 0.0
	for _, p := range pairs {
		if e := best.off(&p); math.Abs(e) <= nearDelta {
			square, weights = square+p.weight*e*e, weights+p.weight
			x.Pairs++
		}
	}
	x.delta, x.Rings, x.Off = best.delta, best.rings, math.Sqrt(square/weights)
	return x, true
}

// ringsOf is how many rings have pairs.
func ringsOf(pairs []pair) int {
	all := map[int]bool{}
	for _, p := range pairs {
		all[p.ring] = true
	}
	return len(all)
}

// Brought is the disc with the angles of its second layer brought to those of its first.
func (d *Disc) Brought(nominal *spiral.Track, x Across) *Disc {
	o := &Disc{kind: d.kind, block: d.block, layers: slices.Clone(d.layers), tracks: slices.Clone(d.tracks)}
	l := &o.layers[1]
	// The layer's turns, less Δ, at its end and midway, against its begin: what they are to
	// be, by the shares that do it (Newton's method; Δ is all but even in the shares).
	radius := [2]float64{l.ends, (l.begins + l.ends) / 2}
	at := func(g leg, i int) float64 {
		k := (radius[i]*radius[i] - g.begins*g.begins) / (g.ends*g.ends - g.begins*g.begins) * float64(g.blocks)
		return g.turn(k)
	}
	var want [2]float64
	for i, r := range radius {
		want[i] = at(l.leg, i) - (x.delta.at(r) - x.delta.at(l.begins))
	}
	const tiny = 1e-6
	for range 4 {
		u, v := l.stretched(stretch{u: tiny}), l.stretched(stretch{v: tiny})
		a, b := (at(u, 0)-at(l.leg, 0))/tiny, (at(v, 0)-at(l.leg, 0))/tiny
		c, e := (at(u, 1)-at(l.leg, 1))/tiny, (at(v, 1)-at(l.leg, 1))/tiny
		p, q := want[0]-at(l.leg, 0), want[1]-at(l.leg, 1)
		l.leg = l.stretched(stretch{(p*e - q*b) / (a*e - b*c), (a*q - c*p) / (a*e - b*c)})
	}
	l.zero = fraction(-x.delta.at(l.begins))
	l.drift = math.Hypot(o.layers[0].drift, x.Off) // what the first is off, and by it this one
	t, err := l.track(nominal.Shape(), 1, d.block)
	if err != nil { // no disc is so
		return d
	}
	o.tracks[1] = t
	return o
}

// LiesOver tells which of some marks of another layer, brought to this one's, a mark lies over:
// the one that reaches over most of it; not ok where none does.
func (m *Mark) LiesOver(others []Mark) (n int, ok bool) {
	most := 0.0
	for i, o := range others {
		if m.To-m.From >= 1 || o.To-o.From >= 1 || !m.over(o) {
			continue
		}
		thick := min(m.Outer, o.Outer) - max(m.Inner, o.Inner) + sameRadius
		wide := (m.To-m.From)/2 + (o.To-o.From)/2 + sameAngle - math.Abs(math.Remainder((m.From+m.To)/2-(o.From+o.To)/2, 1))
		if over := thick * wide; over > most {
			n, ok, most = i, true, over
		}
	}
	return n, ok
}
