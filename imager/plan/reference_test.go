package plan

import (
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// reference is the order once more, written for being right and not for being
// fast: one fate for each sector, single-block requests only, every rule looked
// up anew in the whole disc at every step. It knows no history.
type reference struct {
	disc    Disc
	missing []bool
	asked   []bool // or outstanding
	came    []bool
	failed  []bool // with others of its block
	alone   []bool // asked for by itself
	stalled []bool // its block must be left whole
	out     []Request
	parts   [][]int64 // of blocks, by stretch
	record  [][2]int64
	current int
	leave   bool
	second  bool // sector by sector
}

func newReference(task Task, n int) *reference {
	f := func() []bool { return make([]bool, n) }
	r := &reference{disc: task.Disc, missing: f(), asked: f(), came: f(), failed: f(), alone: f(), stalled: f()}
	var blocks []int64 // that hold written sectors
	for a := range n {
		at := sector.LBA(a)
		written := task.Disc.Written.Contains(at)
		r.missing[a] = written && !task.Good.Contains(at) && (task.Only.Empty() || task.Only.Contains(at))
		if b := int64(a) / r.disc.Block; written && (len(blocks) == 0 || blocks[len(blocks)-1] != b) {
			blocks = append(blocks, b)
		}
	}
	for i := range 256 {
		r.parts = append(r.parts, blocks[i*len(blocks)/256:(i+1)*len(blocks)/256])
		r.record = append(r.record, [2]int64{})
	}
	return r
}

func (r *reference) block(b int64) sector.Range {
	all := sector.Range{First: 0, End: sector.LBA(len(r.missing))}
	return sector.Span(sector.LBA(b*r.disc.Block), r.disc.Block).Intersect(all)
}

// first is the first run of one block in stretch i that was not asked for.
func (r *reference) first(i int) sector.Range {
	for _, b := range r.parts[i] {
		var run sector.Range
		block := r.block(b)
		for a := block.First; a < block.End; a++ {
			free := r.missing[a] && !r.asked[a]
			switch {
			case free && run.Empty():
				run = sector.Span(a, 1)
			case free:
				run.End++
			case !run.Empty():
				return run
			}
		}
		if !run.Empty() {
			return run
		}
	}
	return sector.Range{}
}

func (r *reference) Next() (Request, Step) {
	if !r.second {
		if q, ok := r.surface(); ok {
			return q, Ask
		}
		if len(r.out) > 0 {
			return Request{}, Wait
		}
		r.second = true
	}
	if r.disc.WholeBlocks || r.disc.Block == 1 {
		return Request{}, Done
	}
	return r.sectorBySector()
}

func (r *reference) surface() (Request, bool) {
	if r.leave || r.first(r.current).Empty() {
		best, chance := -1, 0.0
		for i := range r.parts {
			c := float64(r.record[i][0]+1) / float64(r.record[i][1]+2)
			if !r.first(i).Empty() && c > chance {
				best, chance = i, c
			}
		}
		if best < 0 {
			return Request{}, false
		}
		r.current, r.leave = best, false
	}
	run := r.first(r.current)
	for a := run.First; a < run.End; a++ {
		r.asked[a] = true
	}
	return r.request(run), true
}

func (r *reference) request(run sector.Range) Request {
	q := Request{Range: run, Alone: run.Count() == 1 && r.disc.Block > 1}
	r.out = append(r.out, q)
	return q
}

// sectorBySector begins at the first block each time and follows what is known:
// the ends of runs of failed blocks, then, once they are decided, the others.
func (r *reference) sectorBySector() (Request, Step) {
	for _, inner := range []bool{false, true} {
		fruitless, waits := 0, false
		for b := int64(0); b*r.disc.Block < int64(len(r.missing)); b++ {
			if !r.bad(b) || inner != (r.bad(b-1) && r.bad(b+1)) {
				continue
			}
			block := r.block(b)
			var next sector.Range
			known, yield, whole, open := false, false, false, false
			for a := block.First; a < block.End; a++ {
				whole = whole || r.stalled[a]
				known = known || r.alone[a]
				yield = yield || r.alone[a] && r.came[a]
				open = open || r.isOut(a)
				if r.failed[a] && !r.alone[a] && next.Empty() {
					next = sector.Span(a, 1)
				}
			}
			waits = waits || open
			switch {
			case !next.Empty() && !whole:
				r.alone[next.First] = true
				return r.request(next), Ask
			case yield:
				fruitless = 0
			case known || open:
				fruitless++
			}
			if fruitless == 8 {
				return r.wait()
			}
		}
		if waits {
			return Request{}, Wait
		}
	}
	return r.wait()
}

// bad tells whether block b failed, taken apart since or not.
func (r *reference) bad(b int64) bool {
	if b < 0 {
		return false
	}
	block := r.block(b)
	for a := block.First; a < block.End; a++ {
		if r.failed[a] || r.alone[a] || r.stalled[a] {
			return true
		}
	}
	return false
}

func (r *reference) wait() (Request, Step) {
	if len(r.out) > 0 {
		return Request{}, Wait
	}
	return Request{}, Done
}

func (r *reference) isOut(a sector.LBA) bool {
	for _, q := range r.out {
		if q.Range.Contains(a) {
			return true
		}
	}
	return false
}

func (r *reference) Note(o Outcome) {
	run := o.Request.Range
	for i, q := range r.out {
		if q.Range == run {
			r.out = append(r.out[:i], r.out[i+1:]...)
			break
		}
	}
	for i := range run.Count() {
		a := run.First + sector.LBA(i)
		switch {
		case i < o.Good:
			r.came[a] = true
			r.alone[a] = o.Request.Alone
		case i < o.Good+o.Failed:
			r.failed[a] = r.failed[a] || !o.Request.Alone
			r.alone[a] = o.Request.Alone
			r.stalled[a] = o.Result == mapfile.Stalled
		default: // handed back
			r.asked[a], r.alone[a] = r.second, false
		}
	}
	if r.second || o.Good == 0 && o.Failed == 0 {
		return
	}
	for i, part := range r.parts {
		for _, b := range part {
			if !r.block(b).Covers(run) {
				continue
			}
			r.record[i][1]++
			if o.Failed == 0 {
				r.record[i][0]++
			} else if i == r.current {
				r.leave = true
			}
		}
	}
}

// TestAgainstReference: with requests of one block at most, the plan asks for the
// same ranges in the same order as the reference, with any number outstanding
// and outcomes in any order.
func TestAgainstReference(t *testing.T) {
	scenes(t, 150, false, true, func(t *testing.T, r *rand.Rand, s scene) {
		s.task.Disc.Largest = s.task.Disc.Block
		depth, lose, seed := 1+r.IntN(4), r.IntN(2)*7, r.Uint64()
		play := func(p planner) []Request {
			b := newTable(t, s.task, s.drive)
			b.depth, b.lose, b.rand = depth, lose, rand.New(rand.NewPCG(seed, 5))
			if depth == 1 && lose == 0 {
				b.rand = nil
			}
			return b.drivePlan(p, nil, toTheEnd)
		}
		got, want := play(New(s.task)), play(newReference(s.task, len(s.drive.hard)))
		for i := range max(len(got), len(want)) {
			if i >= len(got) || i >= len(want) || got[i].Range != want[i].Range || got[i].Alone != want[i].Alone {
				at := func(q []Request) any {
					if i < len(q) {
						return q[i].Range
					}
					return "nothing"
				}
				t.Fatalf("request %d of %d and %d: %v; want %v", i, len(got), len(want), at(got), at(want))
			}
		}
	})
}
