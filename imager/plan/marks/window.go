package marks

import (
	"math"
	"slices"
)

// window is a stretch of the track in which blocks failed and others came. In it a
// mark keeps to its angle, so what came and what failed has a period of one turn. Its
// power at a period is the square of the sum of what was seen, less the mean, each
// turned by its angle, and by twice its angle and so on, since marks are not sines:
//
//	power(d) = Σ weight(h) · (|Σ y·exp(2πi·h·turn·(1−d))|² / Σ y² − 1)
//
// y: 1 failed, 0 came, less their mean over some turns; turn: that of a block's middle;
// d: share by which a turn holds more blocks. It is 0 for failures at random and grows
// with the number of sights that line up.
type window struct {
	at    float64   // block in its middle
	power []float64 // by share, from −half to half steps
}

// harmonics weigh a turn, half a turn and so on.
var harmonics = [...]float64{1, .6, .4, .3}

// waves is a sum of sights turned by their angles: for each harmonic the real part,
// then the imaginary one.
type waves [2 * len(harmonics)]float32

// add adds others, each turned by the angle of each harmonic; put does so to none. Nearly
// all the time goes here, so that the terms stand one by one.
func add(to []waves, others []waves, at []int, turned []waves) {
	turned, at = turned[:len(to)], at[:len(to)]
	for i := range to {
		w, a, t := &to[i], &others[at[i]], &turned[i]
		re, im, cos, sin := a[0], a[1], t[0], t[1]
		w[0], w[1] = w[0]+re*cos-im*sin, w[1]+re*sin+im*cos
		re, im, cos, sin = a[2], a[3], t[2], t[3]
		w[2], w[3] = w[2]+re*cos-im*sin, w[3]+re*sin+im*cos
		re, im, cos, sin = a[4], a[5], t[4], t[5]
		w[4], w[5] = w[4]+re*cos-im*sin, w[5]+re*sin+im*cos
		re, im, cos, sin = a[6], a[7], t[6], t[7]
		w[6], w[7] = w[6]+re*cos-im*sin, w[7]+re*sin+im*cos
	}
}

func put(to []waves, others []waves, at []int, turned []waves) {
	turned, at = turned[:len(to)], at[:len(to)]
	for i := range to {
		w, a, t := &to[i], &others[at[i]], &turned[i]
		re, im, cos, sin := a[0], a[1], t[0], t[1]
		w[0], w[1] = re*cos-im*sin, re*sin+im*cos
		re, im, cos, sin = a[2], a[3], t[2], t[3]
		w[2], w[3] = re*cos-im*sin, re*sin+im*cos
		re, im, cos, sin = a[4], a[5], t[4], t[5]
		w[4], w[5] = re*cos-im*sin, re*sin+im*cos
		re, im, cos, sin = a[6], a[7], t[6], t[7]
		w[6], w[7] = re*cos-im*sin, re*sin+im*cos
	}
}

// pieces are the sums of neighbouring stretches of the track of the same number of
// turns, at shares d around none in even steps; every angle counts from a piece's
// middle. Those of longer stretches are put together from those of shorter ones, to
// which fewer shares are all alike:
//
//	shares   ├─┼─┼─┼─┤   ├─┼─┼─┼─┤   ├─┼─┼─┼─┤     short pieces, coarse steps
//	            └────────────┼───────────┘
//	         ├┼┼┼┼┼┼┼┼┼┼┼┼┼┼┼┼┤                    a long one, fine steps
//
// so that all of them take a time that hardly depends on how many blocks there are.
type pieces struct {
	turns float64 // of a piece
	apart float64 // turns from one to the next
	step  float64 // of shares
	half  int     // steps to either side
	sums  []waves // by piece, then share; anything where a piece's spread is 0
	tally []tally
}

// tally is what was seen in a piece.
type tally struct {
	came, failed int32
	spread       float64 // Σ y²
}

// meanTurns is over how many turns the mean of what was seen is taken.
const meanTurns = 16

// pieces are those of what was seen of a leg's blocks, each of some turns, at d = 0. They
// lie in what is spare.
func (l *leg) pieces(seen []uint8, turns float64, spare *spare) *pieces {
	n := int(l.turn(float64(l.blocks))/turns) + 1
	p := &pieces{turns: turns, apart: turns, step: 1, sums: spare.take(n), tally: make([]tally, n)}
	clear(p.sums)
	first, last, patch := 0, 0, 0 // blocks of a patch of which the mean is one
	var places []float64          // their middles, in turns
	for k := 0; k <= l.blocks; k++ {
		t := 0.0
		if k < l.blocks {
			t = l.turn(float64(k) + .5)
			if int(t/meanTurns) == patch {
				places = append(places, t)
				last = k + 1
				continue
			}
		}
		p.add(seen[first:last], places)
		if k < l.blocks {
			first, last, patch = k, k+1, int(t/meanTurns)
			places = append(places[:0], t)
		}
	}
	return p
}

// add adds the sights of a patch, whose places are given in turns.
func (p *pieces) add(seen []uint8, places []float64) {
	var all tally
	for _, v := range seen {
		switch v {
		case came:
			all.came++
		case failed:
			all.failed++
		}
	}
	if all.came+all.failed == 0 {
		return
	}
	mean := float64(all.failed) / float64(all.came+all.failed)
	mixed := all.came > 0 && all.failed > 0 // else y is 0 for each
	for i, v := range seen {
		if v == unseen {
			continue
		}
		n := min(int(places[i]/p.turns), len(p.sums)-1)
		y := -mean
		if v == failed {
			y = 1 - mean
			p.tally[n].failed++
		} else {
			p.tally[n].came++
		}
		if !mixed {
			continue
		}
		p.tally[n].spread += y * y
		im, re := sincos(places[i])
		a, b := float32(y)*re, float32(y)*im
		at := &p.sums[n]
		for h := range harmonics {
			at[2*h] += a
			at[2*h+1] += b
			a, b = a*re-b*im, a*im+b*re
		}
	}
}

// circle is the sine of each of so many parts of a turn.
var circle = func() (all [4096]float32) {
	for i := range all {
		all[i] = float32(math.Sin(2 * math.Pi * float64(i) / float64(len(all))))
	}
	return all
}()

// sincos is sine and cosine of an angle in turns, to a tenth of a degree.
func sincos(turn float64) (sin, cos float32) {
	i := int(turn*float64(len(circle))+.5) & (len(circle) - 1)
	return circle[i], circle[(i+len(circle)/4)&(len(circle)-1)]
}

const joint = 4 // pieces that become one

// joined are pieces of joint times as many turns, each beginning so many pieces after
// the one before, at shares up to half steps either way. They lie in what is spare.
func (p *pieces) joined(stride int, step float64, half int, spare *spare) *pieces {
	n := max(0, (len(p.tally)-joint)/stride+1)
	if (len(p.tally)-joint)%stride != 0 && len(p.tally) > joint || n == 0 {
		n++ // the last one is not full
	}
	shares, under := 2*half+1, 2*p.half+1
	o := &pieces{turns: joint * p.turns, apart: float64(stride) * p.apart, step: step, half: half,
		sums: spare.take(n * shares), tally: make([]tally, n)}
	from := make([]int, shares) // by share: that of the short pieces
	for i := range from {
		from[i] = min(max(0, int(math.Round(float64(i-half)*step/p.step))+p.half), under-1)
	}
	var turned [joint][]waves
	for part := range turned {
		// By how much a part's angles are turned: by its share, from the middle on.
		off := (float64(part) - float64(joint-1)/2) * p.apart
		turned[part] = make([]waves, shares)
		for i := range turned[part] {
			for h := range harmonics {
				sin, cos := math.Sincos(-2 * math.Pi * float64(h+1) * off * float64(i-half) * step)
				turned[part][i][2*h], turned[part][i][2*h+1] = float32(cos), float32(sin)
			}
		}
	}
	for k := range n {
		t := &o.tally[k]
		sums := o.sums[k*shares : (k+1)*shares]
		for part := range joint {
			j := k*stride + part
			if j >= len(p.tally) {
				break
			}
			if p.tally[j].spread > 0 {
				sum := add
				if t.spread == 0 {
					sum = put
				}
				sum(sums, p.sums[j*under:(j+1)*under], from, turned[part])
			}
			t.came, t.failed, t.spread = t.came+p.tally[j].came, t.failed+p.tally[j].failed, t.spread+p.tally[j].spread
		}
	}
	return o
}

// spare is sums that are not needed any more. Fresh memory costs more than what is done
// in it.
type spare struct{ free [][]waves }

// take is so many sums, of which anything may be left.
func (s *spare) take(n int) []waves {
	for i, f := range s.free {
		if cap(f) >= n {
			s.free = slices.Delete(s.free, i, i+1)
			return f[:n]
		}
	}
	return make([]waves, n)
}

// give gives the sums of pieces back, which are of no use then.
func (s *spare) give(p *pieces) {
	s.free = append(s.free, p.sums)
	p.sums = nil
}

// middle is the turn in the middle of a piece.
func (p *pieces) middle(n int) float64 { return float64(n)*p.apart + p.turns/2 }

// leastSeen is how many blocks must have come in a window, and how many failed.
const leastSeen = 3

// tells is whether enough blocks failed and came in a piece for it to have a power.
func (p *pieces) tells(n int) bool {
	t := p.tally[n]
	return t.failed >= leastSeen && t.came >= leastSeen && t.spread >= 1
}

// power is that of a piece which tells, by share.
func (p *pieces) power(n int, into []float64) {
	t := p.tally[n]
	for i := range into {
		w := &p.sums[n*len(into)+i]
		sum := 0.0
		for h, weight := range harmonics {
			re, im := float64(w[2*h]), float64(w[2*h+1])
			sum += weight * ((re*re+im*im)/t.spread - 1)
		}
		into[i] = sum
	}
}

// windowsAtOnce is for how many windows memory is taken at once.
const windowsAtOnce = 32

// windows are the pieces of all rounds as windows, the powers of the same blocks
// added up, and how many there were in all.
func (l *leg) windows(rounds []*pieces, vote bool) (all []window, n int) {
	shares := 2*rounds[0].half + 1
	var room, power []float64
	for i := range rounds[0].tally {
		var sum []float64
		for _, p := range rounds {
			if !p.tells(i) {
				continue
			}
			n++
			if sum != nil {
				if power == nil {
					power = make([]float64, shares)
				}
				p.power(i, power)
				if vote {
					voted(power)
				}
				for j, v := range power {
					sum[j] += v
				}
				continue
			}
			if len(room) < shares {
				room = make([]float64, windowsAtOnce*shares)
			}
			sum, room = room[:shares:shares], room[shares:]
			p.power(i, sum)
			if vote {
				voted(sum)
			}
		}
		if sum != nil {
			at := l.at(rounds[0].middle(i))
			all = append(all, window{min(max(0, at), float64(l.blocks)), sum})
		}
	}
	return all, n
}

// outlier is the chance that what a window holds drifts in angle by itself: a scratch
// that runs aslant, or two marks that take turns. temper allows for marks whose
// shapes are not what the power takes them for. Both are chosen by trial on simulated
// discs (test flag -campaign).
const (
	outlier = .05
	temper  = .3
)

// voted makes a window's power its say in a vote: the logarithm of the likelihood of a
// share, in which no window can say more than that it is against.
func voted(power []float64) {
	top := 0.0
	for _, p := range power {
		top = max(top, p)
	}
	for i, p := range power {
		power[i] = math.Log(outlier + (1-outlier)*math.Exp(temper*(p-top)))
	}
}
