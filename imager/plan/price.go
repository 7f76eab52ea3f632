package plan

import (
	"math"
	"time"
)

// price is what things cost with this drive, in seconds, learnt from how long
// its answers took.
type price struct {
	inner, outer float64        // radii between which the disc is laid in bands
	timed        [bands]float64 // of a block at full speed; 0 where none was read yet
	full         [bands]float64 // of a block at full speed, as far as is known
	rung         int            // of the ladder
	good         int64          // blocks that came since the last failure or step
	odd          int            // answers running that speak for another rung
	medium       mean           // a block that can't be corrected
	lost         mean           // a lost track, stalls among them
}

const (
	bands     = 32
	firstFull = 0.0015 // of a DVD's block at 16x where the data zone ends: 32 KiB at 22 MB/s
	shortMove = 0.08   // common practice for a move of the head over a few turns, half a turn included
	farMove   = 0.09   // more for one over the whole data zone
)

// Drives slow down after a failure and come back after a while without one. These
// shares of the full speed, and the blocks until the next step up, are invented:
// the times of a drive's answers say at which of them it reads.
var ladder = [...]float64{1, .75, .5, .375, .25, .125}

const climb = 256

// mean is a mean that begins with what is expected.
type mean struct{ sum, n float64 }

func (m *mean) add(v float64) { m.sum, m.n = m.sum+max(0, v), m.n+1 }
func (m *mean) of() float64   { return m.sum / m.n }

func newPrice(inner, outer float64) price {
	p := price{inner: inner, outer: outer, medium: mean{0.2 * 3, 3}, lost: mean{6 * 3, 3}}
	p.spread()
	return p
}

func (p *price) band(radius float64) int {
	return min(max(0, int((radius-p.inner)/(p.outer-p.inner)*bands)), bands-1)
}

func (p *price) middle(band int) float64 {
	return p.inner + (float64(band)+.5)*(p.outer-p.inner)/bands
}

// block is the time of a block in a band at full speed.
func (p *price) block(band int) float64 { return p.full[band] }

// spread works that out for every band: where none was read yet it is that of the nearest
// band, as it is on a disc that turns evenly.
func (p *price) spread() {
	for band := range p.full {
		p.full[band] = p.nearest(band)
	}
}

func (p *price) nearest(band int) float64 {
	for d := range bands {
		for _, b := range [2]int{band - d, band + d} {
			if b >= 0 && b < bands && p.timed[b] > 0 {
				return p.timed[b] * p.middle(b) / p.middle(band)
			}
		}
	}
	return firstFull * p.outer / p.middle(band)
}

// debt is the time that will be lost on the way back to full speed, in blocks'
// times.
func debt(rung int, good int64) float64 {
	if rung == 0 {
		return 0
	}
	return float64(climb-good)*(1/ladder[rung]-1) + debts[rung]
}

var debts = func() (d [len(ladder)]float64) {
	for i := 2; i < len(d); i++ {
		d[i] = d[i-1] + climb*(1/ladder[i-1]-1)
	}
	return d
}()

// slower is the debt that a failure adds.
func slower(rung int, good int64) float64 {
	return debt(min(rung+1, len(ladder)-1), 0) - debt(rung, good)
}

// move is the time until the head stands at another place, so many mm of radius
// away.
func (p *price) move(mm float64) float64 {
	return shortMove + farMove*math.Sqrt(math.Abs(mm)/(p.outer-p.inner))
}

// failed takes a failure in.
func (p *price) failed(lost bool, took time.Duration) {
	if lost {
		p.lost.add(took.Seconds())
	} else {
		p.medium.add(took.Seconds())
	}
	p.rung, p.good = min(p.rung+1, len(ladder)-1), 0
}

// came takes n blocks in that came; straight tells that the head was there
// already and nothing was repeated, so that the time is the transfer's.
func (p *price) came(n int64, radius float64, took time.Duration, straight bool) {
	if straight && n >= 4 && took > 0 {
		p.measure(took.Seconds()/float64(n), p.band(radius))
	}
	if p.good += n; p.good >= climb {
		p.rung, p.good = max(0, p.rung-1), 0
	}
}

func (p *price) measure(t float64, band int) {
	before, full := p.timed, p.block(band)
	if before == [bands]float64{} {
		p.timed[band] = t * ladder[p.rung] // it may have failed before it was ever timed
		full = p.timed[band]
	} else if t < full {
		p.timed[band] = t
		full = t
	}
	rung := 0
	for i, share := range ladder {
		if math.Abs(math.Log(share*t/full)) < math.Abs(math.Log(ladder[rung]*t/full)) {
			rung = i
		}
	}
	if p.timed[band] == 0 && rung == 0 {
		p.timed[band] = t
	}
	if p.timed != before {
		p.spread()
	}
	if rung == p.rung {
		p.odd = 0
	} else if p.odd++; p.odd > 2 {
		p.rung, p.good, p.odd = rung, 0, 0
	}
}
