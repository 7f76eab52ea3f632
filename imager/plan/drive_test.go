package plan

import (
	"math/rand/v2"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// drive is a drive with a disc of invented damage. What it gives depends on the
// request only, never on what was asked before.
type drive struct {
	block int64
	hard  []bool // by sector: never comes
	soft  []bool // by sector: comes when it is the only one asked of its block
	stall []bool // by block: no answer

	lead    bool // what lies before the failing sector is delivered
	address bool // a failure of several blocks names the failing sector
	ragged  bool // without an address the delivered part may end within a block
}

// newDrive scatters damage over a disc of n sectors, denser in one part of it, and
// kills another part, if there is room, every block of it, every second or every
// third, in which now and then a sector comes alone: so that taking apart the
// ends or the inner blocks ends early in some discs.
func newDrive(r *rand.Rand, n, block int64, hard, soft, stall float64) *drive {
	d := &drive{block: block, hard: make([]bool, n), soft: make([]bool, n), stall: make([]bool, n/block+1),
		lead: r.IntN(2) == 0, address: r.IntN(2) == 0}
	from, to := r.Int64N(n+1), r.Int64N(n+1)
	for i := range n {
		dense := 0.3
		if from < i && i < to {
			dense = 3
		}
		d.hard[i] = r.Float64() < hard*dense/float64(block)
		d.soft[i] = r.Float64() < soft*dense/float64(block)
	}
	if dead := 27 * block; n > dead && r.IntN(2) == 0 {
		first, every := r.Int64N(n-dead), 1+r.Int64N(3)
		for i := first; i < first+dead; i++ {
			if i/block%every == 0 {
				d.soft[i] = r.Int64N(12*block) == 0
				d.hard[i] = !d.soft[i]
			}
		}
	}
	for i := range d.stall {
		d.stall[i] = r.Float64() < stall
	}
	return d
}

// answer is what becomes of a request: the same rules by which the engine judges
// a device's answer.
func (d *drive) answer(q Request) Outcome {
	r, o := q.Range, Outcome{Request: q, Result: mapfile.Failed}
	single := r.Blocks(d.block).Count() == d.block
	for a := r.First; a < r.End; a++ {
		b := int64(a) / d.block
		inBlock := sector.Span(a, 1).Blocks(d.block).Intersect(r)
		switch {
		case d.stall[b] && single:
			o.Failed, o.Result = r.Count()-o.Good, mapfile.Stalled
			return o
		case d.stall[b]:
			o.Good, o.Blur, o.Result = 0, true, mapfile.Stalled
			return o
		case !d.hard[a] && !(d.soft[a] && inBlock.Count() > 1):
			o.Good++
			continue
		}
		if !d.lead {
			o.Good = 0
		}
		heldBack := r.First+sector.LBA(o.Good) < inBlock.First
		switch {
		case single:
			o.Failed = r.Count() - o.Good
		case d.address && !heldBack:
			o.Failed = int64(inBlock.End-r.First) - o.Good
		default:
			o.Blur = true
			if !d.ragged {
				o.Good = o.Good / d.block * d.block
			}
		}
		return o
	}
	return o
}
