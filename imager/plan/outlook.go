package plan

import (
	"cmp"
	"math"
	"slices"
	"time"

	"turnstone/device/sector"
)

// Loss is how much stands in the way of a block that passes over a place of the
// surface, by what passes of this round and drive brought: a block comes with a
// chance of exp(-sum of the losses under it), and the loss is that of a piece of
// the track as long as a block. Certainty is from 0, nothing was read near, up to
// 1. The angle is in turns and drifts from the disc's true one where the period
// could not be fitted. Without a known geometry both are 0, likewise outside of
// the layer.
func (p *Plan) Loss(layer int, radius, angle float64) (loss, certainty float64) {
	s := p.place
	if s == nil || layer < 0 || layer >= len(s.field.legs) {
		return 0, 0
	}
	f := s.field
	l := &f.legs[layer]
	x := (radius*radius - l.begins*l.begins) / (l.ends*l.ends - l.begins*l.begins)
	if !(0 <= x && x < 1) || math.IsNaN(angle) || math.IsInf(angle, 0) {
		return 0, 0
	}
	i := f.ringOf(l.first + int64(x*float64(l.blocks)))
	c := min(int((angle-math.Floor(angle))*bins), bins-1)
	seen := 0.0
	reach := levels[len(levels)-2].reach
	for j := max(f.span[i][0], i-reach); j < min(f.span[i][1], i+reach+1); j++ {
		seen += float64(f.seen[j][c])
	}
	return float64(f.rate[i][c]) * f.rings[i].width, seen / (seen + float64(levels[len(levels)-1].weight))
}

// Chance is the chance that the block of a sector comes when it is asked for once, of one
// that failed and is being asked for again what of such blocks came so far; 0 where the
// geometry is not known.
func (p *Plan) Chance(a sector.LBA) float64 {
	s, b := p.place, int64(a)/p.disc.Block
	if s == nil || a < 0 || b >= int64(len(s.saw)) {
		return 0
	}
	for _, x := range s.deeper.asked {
		if x.block == b {
			return s.deeper.share(int(x.lot))
		}
	}
	return s.chance(s.field.ringOf(b), b)
}

// Outlook is the sectors that reading on is expected to bring within a time, and
// their standard deviation if blocks came independently: marks and moods of the
// drive make it larger. Both are 0 where the geometry is not known.
func (p *Plan) Outlook(within time.Duration) (sectors, deviation float64) {
	sectors, deviation, _ = p.outlook(within, byModel)
	return sectors, deviation
}

// Yield is the good sectors a second that the plan expects of what it asks for now; 0 where
// the geometry is not known. Looking tells that it looks ahead of the reading for sure
// places, which brings little by itself.
func (p *Plan) Yield() (sectors float64, looking bool) {
	if p.place == nil {
		return 0, false
	}
	c := &p.place.soundings
	return p.place.brings * float64(p.disc.Block), c.begun && !c.over && c.at >= 0
}

// calibrated is how far the model's chances are from what comes: no more than that in
// each tenth of them, on the scenarios.
const calibrated = .1

// Between is the range that what reading on brings within a time should lie in, around
// what the model expects of the surface, and around what came so far of blocks of which
// it expected as much: by two deviations, and by as much as its chances may be wrong.
// Both are 0 where the geometry is not known.
func (p *Plan) Between(within time.Duration) (low, high float64) {
	a, da, asked := p.outlook(within, byModel)
	b, db, alike := p.outlook(within, func(chance float64) float64 {
		bin := trustBin(chance)
		if p.place.trust[bin].tried == 0 {
			return chance
		}
		return p.place.trust.hope(bin)
	})
	low = min(a-2*da-calibrated*asked, b-2*db-calibrated*alike)
	high = max(min(asked, a+2*da+calibrated*asked), min(alike, b+2*db+calibrated*alike))
	return max(0, low), high
}

// byModel is the chance that a block comes, as the model has it.
func byModel(chance float64) float64 { return chance }

// prize is what asking for one block is expected to bring.
type prize struct {
	chance float64
	full   float64 // seconds of reading it
	fails  float64 // seconds of its failure, times the chance of one
}

// prizes is all that may be asked for, what brings most a second first.
func (p *Plan) prizes(rated func(chance float64) float64) (all []prize) {
	s := p.place
	if s == nil {
		return nil
	}
	w := s.walker(0)
	for b, st := range s.state {
		if st != open && st != out {
			continue
		}
		x := w.look(int64(b))
		chance := rated(x.chance)
		all = append(all, prize{chance, s.full(w.ring), (1 - chance) * x.cost})
	}
	slices.SortFunc(all, func(a, b prize) int { return cmp.Compare(b.chance*(a.full+a.fails), a.chance*(b.full+b.fails)) })
	return all
}

// outlook is that with chances as they are rated, and the sectors asked for.
func (p *Plan) outlook(within time.Duration, rated func(chance float64) float64) (sectors, deviation, asked float64) {
	left, spread := within.Seconds(), 0.0
	for _, x := range p.prizes(rated) {
		if left -= x.full + x.fails; left < 0 {
			break
		}
		sectors += x.chance
		spread += x.chance * (1 - x.chance)
		asked++
	}
	n := float64(p.disc.Block)
	return sectors * n, math.Sqrt(spread) * n, asked * n
}
