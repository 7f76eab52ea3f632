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
	asked    []again    // outstanding
	came, of [2]float64
}

type again struct {
	block int64
	r     sector.Range
	kind  int
}

// enough is how many blocks make it worth to go and ask for them.
const enough = 32

func (d *deeper) add(s *byPlace, b int64, retries uint8, r sector.Range) {
	kind := 0
	if retries > s.tries.Least {
		kind = 1
	}
	s.state[b] = shallow
	d.waiting[kind] = append(d.waiting[kind], again{b, r, kind})
}

// rate is the good blocks a second that asking deeper brings.
func (d *deeper) rate(s *byPlace, kind int) float64 {
	const guess, weight = .1, 10 // until some were asked for
	share := (d.came[kind] + guess*weight) / (d.of[kind] + weight)
	turns := float64(s.tries.Own) * 1.2 // common practice: a retry takes a turn and a little
	return share / (s.price.medium.of() + turns*.05)
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
		d.begin(kind)
	}
	x := d.run[0]
	d.run = d.run[1:]
	d.asked = append(d.asked, x)
	return x, true
}

func (d *deeper) begin(kind int) {
	d.run, d.waiting[kind] = d.waiting[kind], nil
	slices.SortFunc(d.run, func(a, b again) int { return cmp.Compare(a.block, b.block) })
}

func (s *byPlace) askDeeper(x again) Request {
	s.retries, s.why = s.tries.Own, whyDeeper
	s.head = x.block + 1
	return s.request(x.r)
}

// mine tells whether a request of that range was one of these.
func (d *deeper) mine(r sector.Range) bool {
	return slices.ContainsFunc(d.asked, func(x again) bool { return x.r == r })
}

func (d *deeper) note(s *byPlace, o Outcome) {
	i := slices.IndexFunc(d.asked, func(x again) bool { return x.r == o.Request.Range })
	x := d.asked[i]
	d.asked = slices.Delete(d.asked, i, i+1)
	lost := o.Result == mapfile.LostTrack || o.Result == mapfile.Stalled
	switch {
	case o.Good == 0 && o.Failed == 0:
		d.run = append([]again{x}, d.run...)
		return
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
}
