package plan

import (
	"math"
	"slices"
)

// zone is some neighbouring rings, and what a run that begins there would bring.
type zone struct {
	first  int64 // block
	band   int   // of the disc's radii
	radius float64
	stale  bool
	worth  float64 // for which the rest was worked out

	start int64   // first block of the run
	count int     // blocks of the run
	past  int     // blocks passed over, up to as far as was looked
	gain  float64 // good blocks expected
	cost  float64 // seconds, without the move there
}

const (
	zoneRings = 2
	horizon   = 400 // blocks that a run is looked ahead
	widestGap = 600 // blocks without one worth asking for that end a run
	doubtful  = 1.8 // loss from which on it counts what came of such blocks so far
	surest    = 12  // greatest loss that the estimate may give
)

// leastYield is the good sectors a second under which a pass ends by itself: one
// in ten seconds. Runs are taken in the order of what they bring, so if the best
// brings less than that, so will all of the next ten minutes. At that rate an
// hour brings 360 sectors, 0.7 MiB: less than cleaning the disc or another drive
// is likely to bring in that time.
const leastYield = 0.1

// layOut lays the zones.
func (s *byPlace) layOut() {
	f := s.field
	for i := 0; i < len(f.rings)-1; i += zoneRings {
		r := &f.rings[i]
		radius := r.leg.radiusOf(r.first - r.leg.first)
		s.zones = append(s.zones, zone{first: r.first, radius: radius, band: s.price.band(radius), stale: true})
	}
	if f.all.blamed > 0 || s.heard() {
		s.refresh()
	}
}

func (s *byPlace) heard() bool {
	for _, v := range s.saw {
		if v == sawBad {
			return true
		}
	}
	return false
}

// refresh works period and estimate out anew.
func (s *byPlace) refresh() {
	f := s.field
	s.period.look(s)
	f.refresh()
	s.due.failed, s.due.seen = f.all.blamed*1.1+2, f.all.seen*1.25+1250
	s.countSure()
	s.allStale()
}

func (s *byPlace) allStale() {
	for i := range s.zones {
		s.zones[i].stale = true
	}
}

// stale marks the zones that an outcome in a ring bears upon.
func (s *byPlace) stale(ring int, wide bool) {
	z := ring / zoneRings
	lo, hi := z-4, z
	if wide {
		lo, hi = z-9, z+5
	}
	for z := max(0, lo); z <= min(hi, len(s.zones)-1); z++ {
		s.zones[z].stale = true
	}
}

// choose takes the run in hand that brings most a second; false where asking
// deeper brings more, or nothing brings enough.
func (s *byPlace) choose() bool {
	f := s.field
	if f.all.blamed > 0 && (f.all.blamed > s.due.failed || f.all.seen > s.due.seen) {
		s.refresh()
	}
	for {
		best, at := 0.0, -1
		var here zone
		if s.head < int64(len(s.state)) {
			z := s.zones[f.ringOf(s.head)/zoneRings]
			here = zone{radius: z.radius, band: z.band}
			s.walk(&here, s.head)
		}
		for i := range s.zones {
			z := &s.zones[i]
			if z.stale || z.past > 0 && s.worth < z.worth/2 {
				s.walk(z, z.first)
			}
			// Of equals the first of a band, so that bands are read through.
			if v := s.rate(z, &here); v > best && (at < 0 || z.band != s.zones[at].band || v > best*1.03) {
				best, at = v, i
			}
		}
		z := &here
		if v := s.rate(&here, &here); v > 0 && v >= best*.97 {
			best, at = v, 0
		} else if at >= 0 {
			z = &s.zones[at]
		}
		if !s.soundings.over && best < soundBelow/s.price.block(z.band) {
			if s.sound() {
				return true
			}
			continue
		}
		if at < 0 { // all was passed over
			if s.worth < 1e-9 {
				return s.rest()
			}
			s.worth /= 2
			continue
		}
		if _, v := s.deeper.best(s, enough); v > best {
			return false
		}
		if best*float64(s.disc.Block) < leastYield {
			if !s.toTheEnd {
				return s.prove()
			}
			s.worth = best / 2
			if s.sweep() {
				return true
			}
		}
		if s.run, s.sweeping = s.gather(z, s.run[:0]), false; len(s.run) == 0 {
			z.stale = true // its blocks were asked for meanwhile
			continue
		}
		s.settings(z)
		s.why = s.reason(z)
		s.worth = best
		return true
	}
}

// rest takes all that is open: nothing is expected of it.
func (s *byPlace) rest() bool {
	if !s.toTheEnd {
		return s.prove()
	}
	s.run = s.run[:0]
	for b, st := range s.state {
		if st == open {
			s.run = append(s.run, int64(b))
		}
	}
	s.retries, s.why, s.sweeping = s.tries.Least, whyRest, true
	return true
}

// proofs is how many blocks are asked for at a time before what is left is given up.
const proofs = 8

// soonDone is the seconds within which all that is left is asked for rather than given
// up: that is sooner done than told.
const soonDone = 60

// prove takes a few blocks of which the model expects too little, spread over the disc,
// while no more than the model says so: the loss that it sees may be another surface's by
// now, or the marks of a few. Where all of them are soon done it takes all. False is
// returned once such blocks have failed so often that what is left is not worth its time by
// that alone.
func (s *byPlace) prove() bool {
	var left [len(trustEdges) + 1][]int64
	var cost [len(trustEdges) + 1]float64
	w := walker{s: s, near: -1}
	for b, st := range s.state {
		if st == open {
			x := w.look(int64(b))
			bin := trustBin(s.loss(w.ring, int64(b)))
			left[bin] = append(left[bin], int64(b))
			cost[bin] += x.cost
		}
	}
	best, at, all := 0.0, -1, 0.0
	for bin, blocks := range left {
		all += cost[bin]
		if n := float64(len(blocks)); n > 0 {
			if v := s.trust.hope(bin) * float64(s.disc.Block) * n / cost[bin]; v > best {
				best, at = v, bin
			}
		}
	}
	s.run = s.run[:0]
	switch {
	case all < soonDone:
		s.run = append(s.run, slices.Concat(left[:]...)...)
		slices.Sort(s.run)
	case best < leastYield:
		return false
	default:
		n := len(left[at])
		for i := range min(n, proofs) {
			s.run = append(s.run, left[at][i*n/min(n, proofs)])
		}
	}
	s.retries, s.why, s.sweeping = s.tries.Least, whyProof, true
	return true
}

// sweep takes all blocks that bring as much as the price, over the whole disc in
// order of address, to be asked for without a choice in between: where so little
// comes, choosing anew after each failure is not worth its processor time.
func (s *byPlace) sweep() bool {
	s.refresh()
	s.run = s.run[:0]
	w := walker{s: s, near: -1}
	for b, st := range s.state {
		if st != open {
			continue
		}
		x := w.look(int64(b))
		if p := x.chance; p >= s.worth*x.cost*(1-p) {
			s.run = append(s.run, int64(b))
		}
	}
	s.retries, s.why, s.sweeping = s.tries.Least, whySweep, true
	return len(s.run) > 0
}

// rate is what a zone's run brings a second, the move there counted.
func (s *byPlace) rate(z, here *zone) float64 {
	if z.count == 0 {
		return 0
	}
	move := 0.0
	if gap := z.start - s.head; gap < 0 || gap > 32 {
		move = s.price.move(z.radius - here.radius)
	} else {
		move = s.gap(gap, z.band, s.price.rung)
	}
	return z.gain / (z.cost + move)
}

// gap is the time until n blocks have passed under the head.
func (s *byPlace) gap(n int64, band, rung int) float64 {
	return min(float64(n)*s.price.block(band)/ladder[rung], shortMove)
}

// settings picks the retries of a run: many where a dead block is unlikely.
func (s *byPlace) settings(z *zone) {
	switch p := z.gain / float64(z.count); {
	case !s.effort.pays():
		s.retries = s.tries.Least
	case p > .9:
		s.retries = s.tries.Own
	case p > .6:
		s.retries = min(s.tries.Own, max(3, s.tries.Least))
	default:
		s.retries = s.tries.Least
	}
}

// prospect is what is expected of one block.
type prospect struct {
	chance float64 // that it comes
	cost   float64 // of its failure, in seconds, the slow-down apart
}

// debtShares is how much of the slow-down's cost a failure is charged with once
// few sure blocks are left: a drive that is slow and reads among marks may as well
// stay so. Found by trial.
var debtShares = [len(ladder)]float64{1, 1, .6, .4, .2, .2}

// firstShape is the shape of the gamma distribution by which the loss along a run
// is uncertain where no failure is near: what is clean so far is likely to be
// clean for long.
const firstShape = .6

// What was passed over has to be come back for. Without it a disc whose blocks fail one
// by one is read in fragments.
const (
	comeBack   = .03 // seconds for a block: part of a move, since others are left about it
	comeBackAt = 10  // blocks a second, the most that this time is taken to be worth: at speed less is lost
)

// passOver tells whether a block is better passed over now, where a block is worth so
// many seconds' share and its failure costs so much.
func passOver(chance, worth, cost float64) bool {
	return chance*(1+min(worth, comeBackAt)*comeBack) < worth*cost*(1-chance)
}

// walk looks at the run that begins at or behind a block: it passes over blocks
// that cost more than they bring, and goes as far as it pays.
//
//	blocks   ─ o o o · · o o · o o ─        o asked, · passed over or not open
//	alive    1 ╲___________________         chance that none has failed so far
//	gain       sum of alive                 it ends at the first failure: then the
//	cost       transfer, gaps, failure      model knows more and chooses anew
func (s *byPlace) walk(z *zone, from int64) {
	worth := s.worth
	if s.careful() {
		worth = min(worth, dearest/s.price.block(z.band))
	}
	z.stale, z.worth, z.start, z.count, z.past, z.gain, z.cost = false, worth, from, 0, 0, 0, 0
	w := walker{s: s, rung: s.price.rung, good: s.price.good, full: s.price.block(z.band), ring: s.field.ringOf(from), near: -1}
	alive, sum, gain, cost, best := 1.0, 0.0, 0.0, 0.0, 0.0
	n, gap := 0, int64(0)
	for b := from; b < int64(len(s.state)) && n < horizon && gap < widestGap && alive > .1; b++ {
		if s.state[b] != open {
			gap++
			continue
		}
		x := w.look(b)
		p := x.chance
		slow := s.debtShare(w.rung) * w.full * slower(w.rung, w.good)
		if passOver(p, z.worth, x.cost+slow) {
			gap++
			z.past++
			continue
		}
		if n == 0 {
			z.start = b
		} else if gap > 0 {
			cost += alive * s.gap(gap, z.band, w.rung)
		}
		gap = 0
		sum -= math.Log(p)
		next := math.Pow(1+sum/w.shape, -w.shape)
		gain += next
		cost += alive*w.full*(1+(1/ladder[w.rung]-1)*(1-s.debtShare(w.rung))) + (alive-next)*(x.cost+slow)
		n++
		alive = next
		w.read()
		// A fiftieth of a second stands for the choice's own cost: it keeps runs
		// from being cut into single blocks.
		if v := gain / (cost + .02); v > best {
			best, z.gain, z.cost, z.count = v, gain, cost, n
		}
	}
}

// gather lists the blocks of a zone's run.
func (s *byPlace) gather(z *zone, run []int64) []int64 {
	w := walker{s: s, rung: s.price.rung, good: s.price.good, full: s.price.block(z.band), ring: s.field.ringOf(z.start), near: -1}
	for b := z.start; b < int64(len(s.state)) && len(run) < z.count; b++ {
		if s.state[b] != open {
			continue
		}
		x := w.look(b)
		p := x.chance
		if b > z.start && passOver(p, z.worth, x.cost+s.debtShare(w.rung)*w.full*slower(w.rung, w.good)) {
			continue
		}
		run = append(run, b)
		w.read()
	}
	return run
}

// walker goes along the track.
type walker struct {
	s     *byPlace
	ring  int
	near  int // ring of which what follows is known
	shape float64
	lost  float64 // share of the failures here that lose the track

	full float64 // of a block
	rung int     // at which the drive would be
	good int64
}

func (w *walker) look(b int64) prospect {
	f := w.s.field
	w.ring = f.ringFrom(w.ring, b)
	if w.near != w.ring {
		w.near = w.ring
		fails, lost := f.near(w.ring)
		w.shape = firstShape + fails
		w.lost = (lost + .5) / (fails + 1)
	}
	lost := w.lost
	if h := &f.hints[f.kind[b]]; f.kind[b] != unheard {
		// Where a drive loses the track, another is likely to do so, and hardly in
		// the blocks beside it that came or failed: the kind says more than the place.
		trust := min(.9, (h.fails+1)/(h.fails+11))
		lost += trust * ((h.lost+hintGuess[f.kind[b]]/2)/(h.fails+1) - lost)
	}
	p := &w.s.price
	return prospect{w.s.chance(w.ring, b), p.medium.of()*(1-lost) + p.lost.of()*lost}
}

// chance is that of block b of a ring.
func (s *byPlace) chance(ring int, b int64) float64 {
	return s.skill.chance(b, s.trusted(ring, b))
}

// trusted is what the model of the surface alone expects of it: where it is unlikely to
// come by that, corrected by what came of such blocks.
func (s *byPlace) trusted(ring int, b int64) float64 {
	loss := s.loss(ring, b)
	if loss > doubtful {
		loss = s.trust.loss(loss)
	}
	return math.Exp(-loss)
}

// loss is how much stands in its way by the model of the surface.
func (s *byPlace) loss(ring int, b int64) float64 {
	return min(s.field.loss(ring, b), surest)
}

// read takes a block for read.
func (w *walker) read() {
	if w.rung > 0 {
		if w.good++; w.good == climb {
			w.rung, w.good = w.rung-1, 0
		}
	}
}

// near is the failures around a ring, and the lost tracks among them.
func (f *field) near(ring int) (fails, lost float64) {
	const reach = 8
	for j := max(f.span[ring][0], ring-reach); j < min(f.span[ring][1], ring+reach+1); j++ {
		for _, x := range f.rings[j].fails {
			fails++
			if x.lost {
				lost++
			}
		}
	}
	return fails, lost
}
