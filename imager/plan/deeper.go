package plan

import (
	"cmp"
	"slices"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// deeper is what failed with fewer retries than the drive's own, and is asked for
// once more with those: once that brings more than anything else, or at the end.
type deeper struct {
	waiting  [2][]again // those that were tried once, and those that had some retries
	run      []again    // in hand
	slow     bool       // it is all that is left to do
	asked    []again    // outstanding
	came, of [2]float64
}

type again struct {
	block int64
	r     sector.Range
	kind  int
	old   bool // it failed in an earlier pass
}

// few is what earlier passes of this round and drive, cut off perhaps, asked for with
// fewer retries than the drive's own and did not get, by kind.
type few struct {
	waiting [2]sector.Set
	vain    float64 // blocks that failed with the drive's own when they were asked for again
}

// fewOf is that of a task, of what is open. A run without settings is taken for one
// that was asked for with the drive's own retries.
func fewOf(t *Task, d *Disc, open *sector.Set) (f few) {
	if t.Again || t.Survey > 0 || !d.WholeBlocks || t.Retries.Own == t.Retries.Least || legsOf(d) == nil {
		return f
	}
	for _, h := range t.History {
		if h.Round != t.Round || h.Drive != t.Drive {
			continue
		}
		var gone []sector.Range
		var failed [2][]sector.Range
		for _, run := range h.Runs {
			if run.Result == mapfile.Merged {
				continue
			}
			gone = append(gone, run.Range)
			n := t.Retries.Own
			if int(run.Settings) < len(h.Settings) && h.Settings[run.Settings].Retries != nil {
				n = *h.Settings[run.Settings].Retries
			}
			switch {
			case run.Result != mapfile.Failed || run.Alone:
			case n >= t.Retries.Own && run.Attempts > 1:
				f.vain += float64(run.Range.Blocks(d.Block).Count() / d.Block)
			case n < t.Retries.Own:
				kind := kindOf(n, t.Retries)
				failed[kind] = append(failed[kind], run.Range)
			}
		}
		for k := range f.waiting {
			f.waiting[k] = plus(less(f.waiting[k], gone), failed[k])
		}
	}
	for k := range f.waiting {
		f.waiting[k] = f.waiting[k].Intersect(open)
	}
	return f
}

func (f *few) empty() bool { return f.waiting[0].Empty() && f.waiting[1].Empty() }

// kindOf tells what was tried with the least retries from what had some more.
func kindOf(retries uint8, t Retries) int {
	if retries > t.Least {
		return 1
	}
	return 0
}

// recall takes in what earlier passes left.
func (d *deeper) recall(s *byPlace, f *few) {
	for kind, set := range f.waiting {
		d.of[kind] = f.vain
		for r := range set.Runs() {
			for b := range s.blocks(r) {
				s.state[b] = shallow
				d.waiting[kind] = append(d.waiting[kind], again{b, r.Intersect(s.sectors(b)), kind, true})
			}
		}
	}
}

// enough is how many blocks make it worth to go and ask for them.
const enough = 32

func (d *deeper) add(s *byPlace, b int64, retries uint8, r sector.Range) {
	kind := kindOf(retries, s.tries)
	s.state[b] = shallow
	d.waiting[kind] = append(d.waiting[kind], again{b, r, kind, false})
}

// share is how many of those asked deeper come.
func (d *deeper) share(kind int) float64 {
	const guess, weight = .1, 10 // until some were asked for
	return (d.came[kind] + guess*weight) / (d.of[kind] + weight)
}

// rate is the good blocks a second that asking deeper brings.
func (d *deeper) rate(s *byPlace, kind int) float64 {
	turns := float64(s.tries.Own) * 1.2 // common practice: a retry takes a turn and a little
	return d.share(kind) / (s.price.medium.of() + turns*.05)
}

// best is the kind that brings most, and what.
func (d *deeper) best(s *byPlace, least int) (kind int, rate float64) {
	kind = -1
	for k := range d.waiting {
		if n := len(d.waiting[k]); n == 0 || n < least {
			continue
		}
		if v := d.rate(s, k); kind < 0 || v > rate {
			kind, rate = k, v
		}
	}
	return kind, rate
}

// pays tells whether asking deeper is worth its time.
func (d *deeper) pays(s *byPlace) bool {
	_, rate := d.best(s, 1)
	return len(d.run) > 0 || rate*float64(s.disc.Block) >= leastYield
}

// next is the next block to be asked deeper.
func (d *deeper) next(s *byPlace) (again, bool) {
	if len(d.run) == 0 {
		kind, rate := d.best(s, 1)
		if kind < 0 || s.stopped || !s.toTheEnd && s.left == 0 && rate*float64(s.disc.Block) < leastYield {
			return again{}, false
		}
		d.begin(s, kind)
	}
	x := d.run[0]
	d.run = d.run[1:]
	d.asked = append(d.asked, x)
	return x, true
}

func (d *deeper) begin(s *byPlace, kind int) {
	d.run, d.waiting[kind], d.slow = d.waiting[kind], nil, s.left == 0 || s.spent
	slices.SortFunc(d.run, func(a, b again) int { return cmp.Compare(a.block, b.block) })
}

func (s *byPlace) askDeeper(x again) Request {
	s.retries, s.why = s.tries.Own, whyDeeper
	s.head = x.block + 1
	q := s.request(x.r)
	q.Slow = s.deeper.slow
	return q
}

// mine tells whether a request of that range was one of these.
func (d *deeper) mine(r sector.Range) bool {
	return slices.ContainsFunc(d.asked, func(x again) bool { return x.r == r })
}

// note takes an outcome and gives the number of sectors that it decides of those that
// earlier passes left.
func (d *deeper) note(s *byPlace, o Outcome) int64 {
	i := slices.IndexFunc(d.asked, func(x again) bool { return x.r == o.Request.Range })
	x := d.asked[i]
	d.asked = slices.Delete(d.asked, i, i+1)
	lost := o.Result == mapfile.LostTrack || o.Result == mapfile.Stalled
	switch {
	case o.Good == 0 && o.Failed == 0:
		d.run = append([]again{x}, d.run...)
		return 0
	case o.Failed > 0:
		s.price.rung, s.price.good = min(s.price.rung+1, len(ladder)-1), 0
		s.head = int64(o.Request.Range.First) / s.disc.Block
		if lost {
			s.price.lost.add(o.Took.Seconds())
		}
	default:
		d.came[x.kind]++
		s.price.good++
	}
	d.of[x.kind]++
	s.state[x.block] = closed
	if x.old {
		return o.Request.Range.Count()
	}
	return 0
}
