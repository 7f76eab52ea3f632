package marks

import "math"

// Calibration: where blocks lie is fitted to where they failed. A disc's tolerances
// leave the turns of a block open by one per cent, so the nominal track loses the
// angle within a hundred turns.
//
// First by the power of windows that grow, over all that is allowed, for a false
// period costs most; then by a vote of short windows, which leaves scratches that run
// aslant out.
var (
	rough = [...]search{{64, 1.5e-3, widest}, {256, 4e-4, widest}, {1024, 1e-4, widest}}
	finer = [...]search{{150, 2e-5, 9e-4}, {150, 5e-6, 2.5e-4}}
)

const (
	widest      = .02  // share, a little more than the tolerances of DVDs and BDs allow
	leastU      = -.02 // of the leg's begin ...
	mostU       = .012
	mostV       = .014 // ... and its end, either way
	usualOff    = .006 // of discs, as a standard deviation
	sureOf      = 7    // deviations of chance by which a period must stand out
	agreement   = .7   // of their power, that shorter windows must keep
	leastFailed = 12   // blocks, below which nothing is fitted
	groups      = 8    // of windows, to tell how sure the fit is
)

// calibrated is a leg as it was fitted.
type calibrated struct {
	leg
	known bool    // the period stood out
	drift float64 // turns by which angles may be off, as a standard deviation, against the disc's damaged places in the mean
}

// calibrate fits a leg to what was seen of it, in one or more rounds.
func calibrate(l leg, seen [][]uint8) calibrated {
	if countFailed(seen) < leastFailed {
		return calibrated{leg: l, drift: .5}
	}
	s, ok := l.roughly(seen)
	if !ok {
		return calibrated{leg: l, drift: .5}
	}
	l = l.stretched(s)
	var votes [groups]stretch
	for i, f := range finer {
		ws := l.all(seen, f)
		for j := range ws {
			ws[j].vote()
		}
		reach := f.reach * 2 / 3
		at := l.best(ws, f, [4]float64{-reach, reach, -reach, reach}, nil, -1)
		if i == len(finer)-1 {
			for g := range votes {
				near := [4]float64{at.u - 16*f.step, at.u + 16*f.step, at.v - 16*f.step, at.v + 16*f.step}
				v := l.best(ws, f, near, nil, g)
				votes[g] = stretch{v.u - at.u, v.v - at.v}
			}
		}
		l = l.stretched(at)
	}
	return calibrated{l, true, l.drift(seen, votes)}
}

func countFailed(seen [][]uint8) int {
	n := 0
	for _, s := range seen {
		for _, v := range s {
			if v == failed {
				n++
			}
		}
	}
	return n
}

// all are the windows of all rounds.
func (l *leg) all(seen [][]uint8, s search) []window {
	var all []window
	for _, one := range seen {
		all = append(all, l.windows(one, s)...)
	}
	return all
}

// roughly is the stretch that stands out in growing windows; not ok where none does.
func (l *leg) roughly(seen [][]uint8) (at stretch, ok bool) {
	var before func(stretch) float64
	top := 0.0
	for _, s := range rough {
		ws := l.all(seen, s)
		if len(ws) == 0 {
			break
		}
		own := func(x stretch) float64 {
			sum := 0.0
			for i := range ws {
				sum += ws[i].worth(x.at(l, ws[i].at), s)
			}
			return sum
		}
		x := l.best(ws, s, [4]float64{leastU, mostU, -mostV, mostV}, before, -1)
		score := own(x)
		if score < sureOf*math.Sqrt(1.61*float64(len(ws))) { // 1.61: the sum of the weights' squares
			continue
		}
		if before != nil && before(x) < agreement*top {
			break
		}
		at, ok, before, top = x, true, own, score
	}
	return at, ok
}

// best is the stretch within bounds (of u, then of v) for which windows have most to
// say, those of one group left out, -1 being none. What shorter windows say counts
// too: long ones tell how long a turn is, short ones which one of several it is.
func (l *leg) best(ws []window, s search, bounds [4]float64, more func(stretch) float64, without int) stretch {
	// A window's say depends on one number, a weighted mean of u and v.
	type say struct {
		from, to float64 // weights of u and v, in steps
		power    []float64
	}
	var says []say
	for i := range ws {
		if without < 0 || i*groups/len(ws) != without {
			w := &ws[i]
			says = append(says, say{stretch{1, 0}.at(l, w.at) / s.step, stretch{0, 1}.at(l, w.at) / s.step, w.power})
		}
	}
	best, at := math.Inf(-1), stretch{}
	for u := bounds[0]; u <= bounds[1]+s.step/2; u += s.step {
		for v := bounds[2]; v <= bounds[3]+s.step/2; v += s.step {
			sum := 0.0
			for i := range says {
				x := &says[i]
				n := len(x.power)
				k := int(x.from*u + x.to*v + float64(n/2) + .5)
				sum += x.power[min(max(0, k), n-1)]
			}
			if s.reach >= widest {
				sum -= .5 * (u*u + v*v) / (usualOff * usualOff)
			}
			if more != nil {
				sum += more(stretch{u, v})
			}
			if sum > best {
				best, at = sum, stretch{u, v}
			}
		}
	}
	return at
}

// drift is by how much angles may be off, by how far the fit moves when a group of
// windows is left out (the jackknife): the root of the mean square over the blocks
// that failed.
func (l *leg) drift(seen [][]uint8, votes [groups]stretch) float64 {
	var ks []float64
	for _, s := range seen {
		for k, v := range s {
			if v == failed && k%7 == 0 {
				ks = append(ks, float64(k))
			}
		}
	}
	if len(ks) == 0 {
		return .5
	}
	sum := 0.0
	for _, v := range votes {
		other := l.stretched(v)
		mean, square := 0.0, 0.0
		for _, k := range ks {
			d := other.turn(k) - l.turn(k)
			mean += d
			square += d * d
		}
		mean /= float64(len(ks))
		sum += square/float64(len(ks)) - mean*mean
	}
	return math.Sqrt(max(0, sum) * (groups - 1) / groups)
}
