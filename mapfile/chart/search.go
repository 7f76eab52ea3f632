package chart

import "math"

// How fits are looked for, and what counts as another. All are chosen by trial on
// simulated discs.
const (
	same      = 0.01 // turns by which two fits differ at most, at any radius, ...
	apart     = 0.1  // ... and by which quite different ones do, at least
	undecided = 2.0  // a rival is less likely by e to the half of so much, at most
	possible  = 6.0  // the same: doubtful
	swayReach = 3.0  // deviations by which angles are looked for
	swayStep  = 0.05 // turns from one to the next
	mostSways = 40   // steps either way
	refits    = 3    // times that a fit is taken further, by the marks that are nearest then
)

// fitter looks for the best fit, and for the best of those that are quite others.
type fitter struct {
	seen  []Place
	from  []Side
	ways  []Sway
	named []target // by places that name them
	found []target // that other places may be of
	sure  []int    // of each place the target it names; -1: it names none
	kept  []Fit    // those nearly as likely as the likeliest, ...
	least float64  // ... which costs so much

	pair  []int  // scratch: of each place that names no target the one it is taken for; -1: none
	taken []bool // and which of found are taken
}

// target is what a place is taken for; nil where it is left out.
func (f *fitter) target(place int) *target {
	switch {
	case f.sure[place] >= 0:
		return &f.named[f.sure[place]]
	case f.pair[place] >= 0:
		return &f.found[f.pair[place]]
	}
	return nil
}

// sway tries sways, the ones before n being set, in steps that move no place by more
// than swayStep against another.
func (f *fitter) sway(by []float64, n int) {
	if n == len(by) {
		f.turn(by)
		return
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range f.seen {
		t := f.ways[n](s.Radius)
		lo, hi = min(lo, t), max(hi, t)
	}
	steps := min(mostSways, int(math.Ceil(swayReach*(hi-lo)/swayStep)))
	for i := -steps; i <= steps; i++ {
		by[n] = swayReach * float64(i) / float64(max(1, steps))
		f.sway(by, n+1)
	}
	by[n] = 0
}

// turn tries each turn that brings a mark to a place, from all sides: those that were
// named, if any.
func (f *fitter) turn(by []float64) {
	for _, side := range f.from {
		for i, s := range f.seen {
			if k := f.sure[i]; k >= 0 {
				turn := side.onDisc(s.Clock, f.named[k].angle(by))
				for _, sure := range [2]bool{true, false} {
					if f.pairs(side, turn, by, i, -1) { // anew: further leaves others
						f.take(f.further(f.fit(side, turn, by, sure)))
					}
				}
				continue
			}
			for j := range f.found {
				m := &f.found[j]
				if len(f.named) > 0 || math.Abs(s.Radius-m.at.Radius) > mostRadiusOff {
					continue
				}
				turn := side.onDisc(s.Clock, m.angle(by))
				if f.pairs(side, turn, by, i, j) {
					f.take(f.further(f.fit(side, turn, by, false)))
				}
			}
		}
	}
}

// further takes a fit on, by the marks that are the nearest now, while that makes it
// likelier.
func (f *fitter) further(o Fit) Fit {
	for range refits {
		if o.cost > f.least+possible || !f.pairs(o.Side, o.turn, o.Sways, -1, -1) {
			break
		}
		n := f.fit(o.Side, o.turn, o.Sways, false)
		if n.cost >= o.cost {
			break
		}
		o = n
	}
	return o
}

// pairs takes each place that names no mark for the likeliest one at a turn, each mark
// once, and one place for a mark that is given unless that is -1; false is returned where
// too many places are left without.
func (f *fitter) pairs(side Side, turn float64, by []float64, place, mark int) bool {
	strangers := len(f.seen) / strangeOf
	clear(f.taken)
	if mark >= 0 {
		f.taken[mark] = true
	}
	for i, s := range f.seen {
		if f.sure[i] >= 0 {
			continue
		}
		if i == place {
			f.pair[i] = mark
			continue
		}
		nearest, least := -1, math.Inf(1)
		for j := range f.found {
			m := &f.found[j]
			if f.taken[j] || math.Abs(m.at.Radius-s.Radius) > mostRadiusOff {
				continue
			}
			da := math.Remainder(side.onPaper(m.angle(by), turn)-s.Clock, 1)
			if math.Abs(da) > mostClockOff+m.wide/2 {
				continue
			}
			if d := m.off(s, da); d < least {
				nearest, least = j, d
			}
		}
		switch {
		case strangers > 0 && least > strange:
			strangers--
			f.pair[i] = -1
		case nearest < 0:
			return false
		default:
			f.taken[nearest] = true
			f.pair[i] = nearest
		}
	}
	return true
}

// take keeps a fit that is nearly as likely as the best; of those that are the same the
// likeliest.
func (f *fitter) take(o Fit) {
	if o.cost > f.least+possible {
		return
	}
	f.least = min(f.least, o.cost)
	for i := range f.kept {
		if f.off(&o, &f.kept[i]) < same {
			if o.cost < f.kept[i].cost {
				f.kept[i] = o
			}
			return
		}
	}
	f.kept = append(f.kept, o)
}

// best is the likeliest of the fits kept and the likeliest of those that are quite others,
// of cost ∞ where there is none.
func (f *fitter) best() (best, rival Fit) {
	best.cost, rival.cost = math.Inf(1), math.Inf(1)
	for _, o := range f.kept {
		if o.cost < best.cost {
			best = o
		}
	}
	for _, o := range f.kept {
		switch off := f.off(&o, &best); {
		case o.cost > best.cost+possible:
		case off <= apart:
			best.Spread = max(best.Spread, 360*off)
		case o.cost < rival.cost:
			rival = o
		}
	}
	return best, rival
}

// off is the turns by which two fits differ at most at the radius of any mark; 1 where they
// are of different sides.
func (f *fitter) off(a, b *Fit) float64 {
	if a.Side != b.Side {
		return 1
	}
	most := 0.0
	for _, all := range [2][]target{f.named, f.found} {
		for i := range all {
			m := &all[i]
			most = max(most, math.Abs(math.Remainder(m.angle(a.Sways)+a.turn-m.angle(b.Sways)-b.turn, 1)))
		}
	}
	return most
}
