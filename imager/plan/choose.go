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
	worth  float64 // for which the rest was worked out ...
	luck   float64 // ... how many times too dear a block had to be to be passed over ...
	full   float64 // ... and the seconds of a block at full speed

	start int64   // first block of the run
	count int     // blocks of the run
	past  int     // blocks passed over, up to as far as was looked
	gain  float64 // good blocks expected
	cost  float64 // seconds, without the move there
}

const (
	zoneRings = 2
	horizon   = 400                  // blocks that a run is looked ahead
	widestGap = 600                  // blocks without one worth asking for that end a run
	doubtful  = .16529888822158653   // chance below which it counts what came of such blocks so far: a loss of 1.8
	least     = 6.14421235332821e-06 // chance that the estimate may give: a loss of 12
	repriced  = .05                  // share by which a block's time may turn out another before a run is worked out anew
)

// leastYield is the good sectors a second under which a pass ends by itself: one
// in ten seconds. No run would bring more than the best one, so if that
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

// full is the time of a block of a ring at full speed.
func (s *byPlace) full(ring int) float64 { return s.price.block(s.zones[ring/zoneRings].band) }

// refresh works period and estimate out anew.
func (s *byPlace) refresh() {
	f := s.field
	s.period.look(s)
	f.refresh()
	s.moment++
	s.anew = s.moment
	s.due.failed, s.due.seen = f.all.blamed*1.1+2, f.all.seen*1.25+1250
	if f.dead {
		s.due.failed -= 2 // while less than ten failed that is the next one: see dead.go
	}
	s.deeper.sort(s)
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
	s.luck.take(s.skill.besideShare(), f.dead || s.skill.all.bad >= luckUntil)
	for {
		here := s.here()
		best, at, all := s.bestZone(&here)
		elsewhere := s.luck.elsewhere(best, all)
		z, most := &here, best // most is what the best brings: by luck the head may stay for less
		if v := s.rate(&here, &here); at >= 0 && v > 0 && v*s.luck.here() >= s.leaving(&s.zones[at], elsewhere, v) || v > best {
			best, most, at = v, max(most, v), 0
		} else if at >= 0 {
			z = &s.zones[at]
		}
		if !s.soundings.over && !s.luck.on && best < soundBelow/s.price.block(z.band) {
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
		// What is asked deeper, and is not worth its time either, gives nothing up without proofs.
		if _, v := s.deeper.best(s, enough); v > deeperWins*most && (s.toTheEnd || v*float64(s.disc.Block) >= leastYield) {
			return false
		}
		if most*float64(s.disc.Block) < leastYield {
			if s.moment-s.anew >= proofs { // no old estimate gives blocks up, or has hundreds asked for without a choice
				s.refresh()
				continue
			}
			if !s.toTheEnd {
				return s.prove()
			}
			s.worth = most / 2
			s.brings = s.worth
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
		s.worth, s.brings = s.luck.elsewhere(best, all), best
		return true
	}
}

// here is the run that begins where the head is.
func (s *byPlace) here() (z zone) {
	if s.head < int64(len(s.state)) {
		at := s.zones[s.field.ringOf(s.head)/zoneRings]
		z = zone{radius: at.radius, band: at.band}
		s.walk(&z, s.head, s.luck.past())
	}
	return z
}

// bestZone is the zone whose run brings most a second, −1 where none brings any, and how much
// that is; and what all runs that bring anything bring a second together, each with the way
// there from where the head is.
func (s *byPlace) bestZone(here *zone) (best float64, at int, all float64) {
	at = -1
	gain, cost := 0.0, 0.0
	for i := range s.zones {
		z := &s.zones[i]
		if z.stale || z.luck != s.luck.past() || z.past > 0 && s.worth < z.worth/2 || math.Abs(z.full-s.price.block(z.band)) > repriced*z.full {
			s.walk(z, z.first, 1)
		}
		v := s.rate(z, here)
		if v > 0 {
			gain += z.gain
			cost += z.gain / v
		}
		// Of equals the first of a band, so that bands are read through.
		if v > best && (at < 0 || z.band != s.zones[at].band || v > best*1.03) {
			best, at = v, i
		}
	}
	if cost > 0 {
		all = gain / cost
	}
	return best, at, all
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
	s.brings, s.retries, s.why, s.sweeping = 0, s.tries.Least, whyRest, true
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
	w := s.walker(0)
	for b, st := range s.state {
		if st == open {
			x := w.look(int64(b))
			bin := trustBin(s.bySurface(w.ring, int64(b)))
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
		s.spent = true
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

// A sweep takes at least a quarter of the open blocks beyond so many: they take hours in
// any order, and each sweep works the estimate of the whole disc out anew.
const (
	sweepFine  = 1 << 15 // blocks: more than four hours, at half a second a failure
	sweepParts = 4
)

// sweep takes all blocks that bring as much as the price, over the whole disc in
// order of address, to be asked for without a choice in between: where so little
// comes, choosing anew after each failure is not worth its processor time.
func (s *byPlace) sweep() bool {
	s.gatherAll()
	for len(s.run) < (s.left-sweepFine)/sweepParts {
		s.worth /= 2
		s.gatherAll()
	}
	s.retries, s.why, s.sweeping = s.tries.Least, whySweep, true
	return len(s.run) > 0
}

// gatherAll lists all open blocks that bring as much as the price.
func (s *byPlace) gatherAll() {
	s.run = s.run[:0]
	w := s.walker(0)
	for b, st := range s.state {
		if st != open {
			continue
		}
		x := w.look(int64(b))
		if p := x.chance; p >= s.worth*x.cost*(1-p) {
			s.run = append(s.run, int64(b))
		}
	}
}

// leaving is what a zone's run brings a second where the head leaves a place for it that
// brings so much, which it will have to come back to.
func (s *byPlace) leaving(z *zone, best, stay float64) float64 {
	return z.gain / (z.gain/best + shortMove*s.standing.back(stay, best)/best)
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

// first is as many retries of those as a block is asked for with at first. Where what fails is
// asked for once more with the drive's own (deeper.go) that is fewer, so that all of it can be.
func (s *byPlace) first(retries uint8) uint8 {
	most := s.tries.Own
	if s.disc.WholeBlocks && most > s.tries.Least {
		most--
	}
	return max(s.tries.Least, min(retries, most))
}

// settings picks the retries of a run: many where a dead block is unlikely, and for all as
// long as they mostly help.
func (s *byPlace) settings(z *zone) {
	switch p := z.gain / float64(z.count); {
	case !s.effort.pays():
		s.retries = s.tries.Least
	case p > .9, s.effort.mostly():
		s.retries = s.first(s.tries.Own)
	case p > .6:
		s.retries = s.first(3)
	default:
		s.retries = s.tries.Least
	}
}
