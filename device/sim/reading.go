package sim

import (
	"math"

	"turnstone/device/sector"
)

// outlook is what a drive makes of each block, found out when it comes there.
type outlook struct {
	drive *Drive
	key   uint64   // of all its draws
	fate  []fate   // by block
	tries []uint32 // attempts so far, by block

	// Of the block that was looked at last:
	at     int64
	chance Chance
	light  rows
	odds   odds
	margin float64 // for which odds was made
}

// fate is what is known of a block.
type fate uint8

const (
	unknown fate = iota
	certain      // every attempt delivers it
	unsure
	lost
)

// newOutlook is the outlook of a drive in one pass, to whom some of the blocks'
// chances are known.
func newOutlook(v *Drive, pass uint32, known []Chance) outlook {
	n := v.disc.scenario.Blocks()
	key := newStream(forDrive, edition, v.disc.scenario.Seed, named(v.spec.Name), uint64(v.round), uint64(pass))
	o := outlook{drive: v, at: -1, fate: make([]fate, n), tries: make([]uint32, n), key: uint64(key)}
	for b := range min(n, int64(len(known))) {
		o.fate[b] = known[b].fate()
	}
	return o
}

// look finds out about a block.
func (o *outlook) look(b int64) fate {
	if f := o.fate[b]; f == certain || f == lost {
		return f
	}
	if o.at != b {
		o.at, o.margin = b, math.NaN()
		o.drive.disc.light(o.drive.ground, b, &o.light)
		o.chance = o.light.chance(&o.drive.spec)
		o.fate[b] = o.chance.fate()
	}
	return o.fate[b]
}

// fate is what a chance comes to.
func (c Chance) fate() fate {
	switch {
	case c.Lost:
		return lost
	case c.Usual == 1:
		return certain
	}
	return unsure
}

// allLost tells whether the drive loses the track in every block. It looks at
// blocks far apart first.
func (o *outlook) allLost() bool {
	const apart = 64
	for first := range int64(apart) {
		for b := first; b < int64(len(o.fate)); b += apart {
			if o.look(b) != lost {
				return false
			}
		}
	}
	return true
}

// draws is the stream of a purpose for the next attempt on a block.
func (o *outlook) draws(purpose uint64, b int64) stream {
	return newStream(purpose, o.key, uint64(b), uint64(o.tries[b]))
}

// attempt is what one more attempt on a block brings, which is not lost.
func (o *outlook) attempt(b int64) attempt {
	spec := &o.drive.spec
	margin, chance := spec.Margin, o.chance.Usual
	if o.drive.m.slowest() {
		margin, chance = margin-slowRelief, o.chance.Slow
	}
	noise := o.draws(forNoise, b)
	damage := o.draws(forDamage, b)
	o.tries[b]++
	if chance == 1 {
		return allSectors
	}
	if o.margin != margin {
		o.margin = margin
		o.light.odds(margin, spec.Noise, &o.odds)
	}
	var failed [blockRows]bool
	count := failing(&o.odds, noise, &failed)
	return o.drive.decoder.decode(b, &failed, count, damage)
}

// read is one read command: the head moves, blocks pass under it until one
// fails. Weak tells that a block came at a further attempt only.
func (v *Drive) read(q request) (c Command, weak bool) {
	m := &v.m
	m.capTo(q.limit)
	c = Command{Start: m.now, Range: q.r, Outcome: OK, X: m.x(), Retries: q.retries}
	for a := q.r.First; a < q.r.End && c.Outcome == OK; a = q.r.First + sector.LBA(c.Good) {
		part := sector.Span(a, 1).Blocks(v.disc.scenario.block()).Intersect(q.r)
		m.spend(m.approach(a) + m.transfer(a, part.Count()))
		n, again, outcome := v.block(part, q.retries)
		c.Good += n
		c.Outcome = outcome
		weak = weak || again
		m.passed(n)
	}
	c.End = m.now
	if c.Outcome == OK {
		m.went(c.Good)
	} else {
		m.failed()
	}
	if c.Outcome == LongSilent {
		v.needs = v.spec.Stall.Needs
	}
	return c, weak
}

// lose is what comes of a lost track, for which note counts an attempt.
func (v *Drive) lose(u stream, note func()) Outcome {
	note()
	v.m.spend(u.between(0, leastLost, mostLost))
	if st := v.spec.Stall; u.uniform(1) < st.Chance {
		v.m.spend(u.between(2, st.LeastS, st.MostS))
		return LongSilent
	}
	return LostTrack
}

// block reads a run of sectors within one block, which is under the head. It
// returns how many of them came, and whether it took a further attempt.
func (v *Drive) block(r sector.Range, retries uint8) (good int64, again bool, outcome Outcome) {
	if v.cd != nil {
		return v.cdSector(r.First, retries)
	}
	b := int64(r.First) / blockSectors
	m, o := &v.m, &v.blocks
	switch o.look(b) {
	case certain:
		return r.Count(), false, OK
	case lost:
		return 0, false, v.lose(o.draws(forLoss, b), func() { o.tries[b]++ })
	}
	for n := range int(retries) + 1 {
		if n > 0 {
			m.spend(retryTurns * m.turn())
		}
		switch a := o.attempt(b); {
		case a == allSectors:
			good = r.Count()
		case v.spec.Partial:
			good = min(a.leading(int(int64(r.First)%blockSectors)), r.Count())
		}
		if good == r.Count() {
			return good, n > 0, OK
		}
	}
	m.spend(failTime)
	return good, false, Medium
}
