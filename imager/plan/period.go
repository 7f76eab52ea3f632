package plan

import (
	"cmp"
	"math"
	"slices"
)

// period fits where blocks lie to where they failed: of all periods that a disc's
// tolerances allow, the one with which failures line up best.
//
// In a window of some hundred turns a mark keeps to its angle, so what came and
// what failed there has a period of one turn. Its power at each of the periods
// allowed is the square of the sum of what was seen, less the mean, each turned by
// its angle; twice that angle, too, since marks are not sines:
//
//	power(d) = |Σ y·exp(2πi·turn(d))|² / Σ y²     y: 1 failed, 0 came, less their mean
//
// d is how much the period deviates there. It is 1 for failures at random, and the
// number of sights for such that line up. The deviations where the leg begins and
// where it ends, u and v, make that of each window; the best pair of all that are
// allowed is taken, where it stands out by far.
type period struct {
	due float64 // blocks seen to fail until the next look
}

// The search goes from short windows, which tell periods apart coarsely and of
// which many hold enough failures, to long ones, as far as marks reach. It always
// goes over all that is allowed: a false period costs most.
var stages = [...]struct {
	turns int
	step  float64
}{{64, .0015}, {256, .0004}, {1024, .0001}}

const (
	widest   = .02 // deviation of the period, a little more than the tolerances of a DVD or BD allow
	regions  = 8
	most     = 8   // windows of a region
	sightMax = 600 // of a window
)

// window is a piece of the track in which blocks failed and others came.
type window struct {
	from, to float64   // how much deviations where the leg begins and where it ends count here
	power    []float64 // by deviation of the period
	spread   float64   // sum of the squares of what was seen, less its mean
}

// look fits the period of each leg anew where enough has failed since the last
// time, and puts what was seen where the blocks lie now.
func (p *period) look(s *byPlace) {
	f := s.field
	bad := 0.0
	for _, v := range s.saw {
		if v == sawBad {
			bad++
		}
	}
	if bad < p.due {
		return
	}
	p.due = bad*1.3 + 4
	changed := false
	for i := range f.legs {
		if p.fit(s, &f.legs[i], i) {
			changed = true
		}
	}
	if changed {
		f.place()
		for i := range f.seen {
			f.seen[i], f.alike[i] = cells{}, alike{}
		}
		ring := 0
		for b := range s.saw {
			ring = f.ringFrom(ring, int64(b))
			if s.own[b] {
				seen := &f.seen[ring]
				for c, share := range underOf(f.arc(ring, int64(b))).shares {
					seen[c] += share
				}
				f.alikeTo(ring, int64(b), s.saw[b] == sawBad)
			}
		}
	}
}

// windows gathers what was seen in windows of so many turns of a leg.
func (p *period) windows(s *byPlace, leg, turns int, step float64) []window {
	f := s.field
	size := turns / ringTurns
	l := &f.legs[leg]
	a, b := l.line(0, 0)
	type place struct {
		lo, hi int
		weight float64
	}
	var places [regions][]place
	for lo := 0; lo < len(f.rings)-1; lo++ {
		if f.rings[lo].leg != l {
			continue
		}
		hi := min(lo+size, f.span[lo][1])
		if n, fails := s.seenIn(f.rings[lo].first, f.rings[hi].first); fails >= 3 {
			if n-fails >= 3 {
				r := min(regions-1, (f.rings[lo].first-l.first)*regions/l.blocks)
				places[r] = append(places[r], place{lo, hi, fails * (1 - fails/n)})
			}
		}
		lo = hi - 1
	}
	var all []window
	for _, in := range places {
		slices.SortStableFunc(in, func(a, b place) int { return cmp.Compare(b.weight, a.weight) })
		for _, x := range in[:min(len(in), most)] {
			first, end := f.rings[x.lo].first, f.rings[x.hi].first
			var ks []int64
			bad := 0.0
			for b := first; b < end; b++ {
				if s.saw[b] != unseen {
					ks = append(ks, b)
				}
			}
			if all := len(ks); all > sightMax {
				kept := ks[:0]
				for _, k := range ks {
					// Multiplied by 2^32 over the golden ratio: spread without a period.
					if int(uint32(k)*2654435769>>8)%all < sightMax {
						kept = append(kept, k)
					}
				}
				ks = kept
			}
			for _, k := range ks {
				if s.saw[k] == sawBad {
					bad++
				}
			}
			n := float64(len(ks))
			if bad < 3 || n-bad < 3 {
				continue
			}
			mid := turnOf(a, b, float64((first+end)/2-l.first))
			share := (float64(first+end)/2 - float64(l.first)) / float64(l.blocks) // along the leg, of its middle
			w := window{from: l.from * l.from * (1 - share), to: l.to * l.to * share, spread: bad * (1 - bad/n)}
			w.spectrum(step, func(yield func(turn, y float64)) {
				for _, k := range ks {
					y := -bad / n
					if s.saw[k] == sawBad {
						y++
					}
					yield(turnOf(a, b, float64(k-l.first))-mid, y)
				}
			})
			all = append(all, w)
		}
	}
	return all
}

// harmonics weighs one turn and half a turn.
var harmonics = [...]float64{1, .6}

// spectrum works the power out for deviations from -widest to +widest.
func (w *window) spectrum(step float64, each func(func(turn, y float64))) {
	n := int(math.Round(2*widest/step)) + 1
	re1, im1 := make([]float64, n), make([]float64, n)
	re2, im2 := make([]float64, n), make([]float64, n)
	each(func(turn, y float64) {
		// A period longer by d makes turns of it fewer by d.
		s, c := math.Sincos(2 * math.Pi * turn * (1 - widest))
		ds, dc := math.Sincos(2 * math.Pi * turn * step)
		for i := range n {
			re1[i] += y * c
			im1[i] += y * s
			re2[i] += y * (c*c - s*s)
			im2[i] += y * 2 * s * c
			c, s = c*dc-s*ds, s*dc+c*ds
		}
	})
	w.power = make([]float64, n)
	for i := range n {
		w.power[i] = harmonics[0]*((re1[i]*re1[i]+im1[i]*im1[i])/w.spread-1) +
			harmonics[1]*((re2[i]*re2[i]+im2[i]*im2[i])/w.spread-1)
	}
}

// score is how well failures line up in all windows where the leg deviates so
// much where it begins and where it ends. The turns of a block deviate as much
// the other way.
func (l *leg) score(ws []window, step, u, v float64) float64 {
	sum := -.5 * (u*u + v*v) / (.006 * .006)
	n := int(math.Round(2 * widest / step))
	for i := range ws {
		w := &ws[i]
		d := (w.from*u + w.to*v) / (w.from + w.to)
		// turn(k) goes by 1/√(a+bk): d more makes turns fewer.
		j := int((widest-d)/step + .5)
		sum += w.power[min(max(0, j), n)]
	}
	return sum
}

// sureOf is how many deviations of chance a period must stand out by: the best of
// so many tries stands out by three or four where there is none.
const sureOf = 7

// guess is a deviation where the leg begins and where it ends.
type guess struct{ u, v, score float64 }

// fit fits the period of leg n; false where nothing stands out.
func (p *period) fit(s *byPlace, l *leg, n int) bool {
	if l.wide {
		return false
	}
	accepted := -1
	var at guess
	var before []window
	var top float64
	for i, stage := range stages {
		ws := p.windows(s, n, stage.turns, stage.step)
		if len(ws) == 0 {
			break
		}
		best := guess{score: math.Inf(-1)}
		for u := -.02; u <= .012; u += stage.step {
			for v := -.014; v <= .0141; v += stage.step {
				score := l.score(ws, stage.step, u, v)
				if before != nil { // long windows say how long a turn is, short ones which one of several it is
					score += l.score(before, stages[accepted].step, u, v)
				}
				if score > best.score {
					best = guess{u, v, score}
				}
			}
		}
		sd := math.Sqrt(float64(len(ws)) * 1.36)
		best.score = l.score(ws, stage.step, best.u, best.v)
		z := best.score / sd
		agree := 1.0
		if before != nil {
			agree = l.score(before, stages[accepted].step, best.u, best.v) / top
		}
		if z < sureOf {
			continue
		}
		if before != nil && agree < .7 {
			break
		}
		before, top = ws, best.score
		accepted, at = i, best
	}
	if accepted < 0 {
		return false
	}
	l.angled = nominally + 1 + accepted
	l.set(at.u, at.v)
	return true
}

// seenIn is how many of some blocks were seen, and how many of them failed.
func (s *byPlace) seenIn(first, end int64) (n, bad float64) {
	for _, v := range s.saw[first:end] {
		if v != unseen {
			n++
		}
		if v == sawBad {
			bad++
		}
	}
	return n, bad
}
