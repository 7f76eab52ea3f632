package marks

import "math"

// Calibration: where blocks lie is fitted to where they failed. A disc's tolerances
// leave the turns of a block open by one per cent, so the nominal track loses the
// angle within a hundred turns.
//
// First by the power of windows that grow, over all that is allowed, for a false
// period costs most; then by a vote of short windows, which leaves scratches that run
// aslant out.
//
// The rounds' windows are pieces put together of shorter ones (window.go), four of
// the length before each time.
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

// The windows of the rough search: of 64, 256 and 1024 turns.
const (
	levels     = 3
	finestStep = .01 // of shares, for pieces of 4 turns: what moves their ends by a hundredth of a turn
)

// fine is a search by vote: in steps of so much, of windows of fineTurns, over shares up
// to reach.
type fine struct{ step, reach float64 }

var finer = [...]fine{{2e-5, 9e-4}, {5e-6, 2.5e-4}}

const fineTurns = 128

// calibrated is a leg as it was fitted.
type calibrated struct {
	leg
	known bool       // the period stood out
	drift float64    // turns by which angles may be off, as a standard deviation, against the disc's damaged places in the mean
	ways  [2]stretch // in which the fit may be off, each as a standard deviation; independent
}

// calibrate fits a leg to what was seen of it, in one or more rounds.
func calibrate(l leg, seen [][]uint8) calibrated {
	if countFailed(seen) < leastFailed {
		return calibrated{leg: l, drift: .5}
	}
	var spare spare
	s, ok := l.roughly(seen, &spare)
	if !ok {
		return calibrated{leg: l, drift: .5}
	}
	l = l.stretched(s)
	var votes [groups]stretch
	for _, f := range finer {
		var at stretch
		at, votes = l.vote(seen, f, &spare)
		l = l.stretched(at)
	}
	return calibrated{l, true, l.drift(seen, votes), axes(votes)}
}

// vote is the stretch for which most windows are, and by how much others would be those
// without a group of windows each.
func (l *leg) vote(seen [][]uint8, f fine, spare *spare) (at stretch, without [groups]stretch) {
	var rounds []*pieces
	half := int(math.Round(f.reach / f.step))
	for _, one := range seen {
		short := l.pieces(one, fineTurns/joint, spare)
		rounds = append(rounds, short.joined(joint/2, f.step, half, spare))
		spare.give(short)
	}
	ws, _ := l.windows(rounds, true)
	for _, p := range rounds {
		spare.give(p)
	}
	reach := f.reach * 2 / 3
	b := bounds{-reach, reach, -reach, reach}
	whole := newPlane(b, f.step)
	var parts [groups]*plane
	for g := range parts {
		parts[g] = newPlane(b, f.step)
		parts[g].hear(l, ws[g*len(ws)/groups:(g+1)*len(ws)/groups])
		for i, v := range parts[g].say {
			whole.say[i] += v
		}
	}
	at, _ = whole.best()
	for g, p := range parts {
		for i, v := range whole.say {
			p.say[i] = v - p.say[i]
		}
		x, _ := p.best()
		without[g] = stretch{x.u - at.u, x.v - at.v}
	}
	return at, without
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

// roughly is the stretch that stands out in growing windows; not ok where none does.
func (l *leg) roughly(seen [][]uint8, spare *spare) (at stretch, ok bool) {
	var rounds []*pieces
	for _, one := range seen {
		single := l.pieces(one, 1, spare)
		rounds = append(rounds, single.joined(joint, finestStep, int(widest/finestStep), spare))
		spare.give(single)
	}
	area := bounds{leastU, mostU, -mostV, mostV}
	var before *plane
	top := 0.0
	for level := range levels {
		var halfway []*pieces
		for i, p := range rounds {
			step, half := p.step/joint, p.half*joint
			rounds[i] = p.joined(joint, step, half, spare)
			spare.give(p)
			halfway = append(halfway, rounds[i].joined(joint/2, step/2, half*2, spare))
		}
		ws, n := l.windows(halfway, false)
		for _, p := range halfway {
			spare.give(p)
		}
		if n == 0 {
			break
		}
		step := halfway[0].step
		own := newPlane(area, step)
		own.hear(l, ws)
		x, _ := own.likeliest(level == 0, before)
		score := own.of(x)
		if score < sureOf*math.Sqrt(1.61*float64(n)) { // 1.61: the sum of the weights' squares
			continue
		}
		if before != nil && before.of(x) < agreement*top {
			break
		}
		at, ok, before, top = x, true, own, score
	}
	return at, ok
}

// likeliest is where a plane says most together with what was known before it: at
// first, what discs are usually like; then what shorter windows say, since long ones
// tell how long a turn is, and short ones which one of several it is.
func (p *plane) likeliest(first bool, before *plane) (at stretch, most float64) {
	most = math.Inf(-1)
	for i, s := range p.say {
		x := p.at(i)
		if first {
			s -= .5 * (x.u*x.u + x.v*x.v) / (usualOff * usualOff)
		}
		if before != nil {
			s += before.of(x)
		}
		if s > most {
			at, most = x, s
		}
	}
	return at, most
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

// leastOff is by which shares a fit is off at least, as a standard deviation: less than a
// step of the search. humble is by how much more fits are off than the jackknife says, on
// simulated discs.
const (
	leastOff = 2e-6
	humble   = 1.7
)

// axes are the principal axes of how the fit moves when a group of windows is left out
// (the jackknife's covariance), the longer one first.
func axes(votes [groups]stretch) [2]stretch {
	mean := stretch{}
	for _, v := range votes {
		mean.u, mean.v = mean.u+v.u/groups, mean.v+v.v/groups
	}
	uu, uv, vv := leastOff*leastOff, 0.0, leastOff*leastOff
	for _, v := range votes {
		u, v := v.u-mean.u, v.v-mean.v
		uu, uv, vv = uu+u*u*(groups-1)/groups, uv+u*v*(groups-1)/groups, vv+v*v*(groups-1)/groups
	}
	sin, cos := math.Sincos(math.Atan2(2*uv, uu-vv) / 2)
	along := math.Sqrt(uu*cos*cos + 2*uv*sin*cos + vv*sin*sin)
	across := math.Sqrt(max(leastOff*leastOff, uu*sin*sin-2*uv*sin*cos+vv*cos*cos))
	along, across = humble*along, humble*across
	return [2]stretch{{along * cos, along * sin}, {-across * sin, across * cos}}
}
