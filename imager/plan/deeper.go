package plan

import (
	"cmp"
	"slices"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// deeper is what failed with fewer retries than the drive's own, and is asked for
// once more with those: once that brings more than anything else, or at the end. What
// failed with nearly all of them waits for the end, when it is asked for slowly, too. What
// the surface expects of a block tells the marginal ones from the dead, so they wait in
// lots by that.
type deeper struct {
	waiting  [lots][]again
	run      []again // in hand, of one lot
	slow     bool    // it is all that is left to do
	asked    []again // outstanding
	came, of [lots]float64
	won      mean // seconds of one that came
	lost     mean // of one that did not
}

type again struct {
	block int64
	r     sector.Range
	lot   uint8
	kind  uint8
	old   bool // it failed in an earlier pass
}

// A lot is those of a kind (tried once, with some retries, or with all but one of the
// drive's own) of which about as much is expected when they are asked for once: up to each of
// these chances, and above.
var lotEdges = [...]float64{.02, .05, .1, .2, .4}

const (
	lotsOfKind = len(lotEdges) + 1
	kinds      = 3
	lots       = kinds * lotsOfKind

	kindLast = kinds - 1 // waits for the end
)

// lotGuess is the share of them that comes with the drive's own retries, until some were
// asked for: invented.
var lotGuess = [lotsOfKind]float64{.02, .1, .2, .3, .4, .5}

// lotOf is that of a block now.
func (s *byPlace) lotOf(b int64, kind uint8) uint8 {
	chance, i := s.chance(s.field.ringOf(b), b), uint8(0)
	for int(i) < len(lotEdges) && chance >= lotEdges[i] {
		i++
	}
	return kind*uint8(lotsOfKind) + i
}

// few is what earlier passes of this round and drive, cut off perhaps, asked for with
// fewer retries than the drive's own and did not get, by kind.
type few struct {
	waiting [kinds]sector.Set
	vain    []sector.Range // blocks that failed with the drive's own when they were asked for again
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
		var failed [kinds][]sector.Range
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
				f.vain = append(f.vain, run.Range)
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

func (f *few) empty() bool {
	return !slices.ContainsFunc(f.waiting[:], func(s sector.Set) bool { return !s.Empty() })
}

// kindOf is the kind of what was tried with so many.
func kindOf(retries uint8, t Retries) uint8 {
	switch {
	case retries <= t.Least:
		return 0
	case retries < t.Own-1:
		return 1
	}
	return kindLast
}

// newDeeper takes in what earlier passes left.
func newDeeper(s *byPlace, f *few) (d deeper) {
	turns := float64(s.tries.Own) * 1.2 // common practice: a retry takes a turn and a little
	d.won, d.lost = mean{.3 * 3, 3}, mean{(.2 + turns*.05) * 3, 3}
	for kind, set := range f.waiting {
		for r := range set.Runs() {
			for b := range s.blocks(r) {
				s.state[b] = shallow
				d.wait(s, again{block: b, r: r.Intersect(s.sectors(b)), kind: uint8(kind), old: true})
			}
		}
	}
	for _, r := range f.vain {
		for b := range s.blocks(r) {
			for kind := range uint8(kinds) {
				d.of[s.lotOf(b, kind)]++
			}
		}
	}
	return d
}

const (
	enough = 32 // blocks that make it worth to go and ask for them

	// deeperWins is how many times as much they have to bring as what was never asked
	// for: that tells of the blocks around it, too.
	deeperWins = 2

	// stayOn is how many times as much as the lot in hand another has to bring: lots that
	// are as vain as each other would take turns block by block, with a move each.
	stayOn = 1.1
)

func (d *deeper) add(s *byPlace, b int64, retries uint8, r sector.Range) {
	s.state[b] = shallow
	d.wait(s, again{block: b, r: r, kind: kindOf(retries, s.tries)})
}

func (d *deeper) wait(s *byPlace, x again) {
	x.lot = s.lotOf(x.block, x.kind)
	d.waiting[x.lot] = append(d.waiting[x.lot], x)
}

// sort lays what waits in lots by what is expected now.
func (d *deeper) sort(s *byPlace) {
	var moved []again
	for lot, all := range d.waiting {
		kept := all[:0]
		for _, x := range all {
			if x.lot = s.lotOf(x.block, x.kind); int(x.lot) == lot {
				kept = append(kept, x)
			} else {
				moved = append(moved, x)
			}
		}
		d.waiting[lot] = kept
	}
	for _, x := range moved {
		d.waiting[x.lot] = append(d.waiting[x.lot], x)
	}
}

// share is how many of a lot come.
func (d *deeper) share(lot int) float64 {
	const weight = 10 // of the guess
	return (d.came[lot] + lotGuess[lot%lotsOfKind]*weight) / (d.of[lot] + weight)
}

// rate is the good blocks a second that asking a lot brings.
func (d *deeper) rate(lot int) float64 {
	share := d.share(lot)
	return share / (share*d.won.of() + (1-share)*d.lost.of())
}

// atEnd tells whether nothing else is left to do, so that what is asked is asked slowly.
func (s *byPlace) atEnd() bool { return s.left == 0 || s.spent }

// best is the lot that brings most, and what: that in hand or one of at least so many
// blocks.
func (d *deeper) best(s *byPlace, least int) (lot int, rate float64) {
	lot = -1
	if len(d.run) > 0 {
		lot = int(d.run[0].lot)
		rate = stayOn * d.rate(lot)
	}
	for i := range d.waiting {
		if n := len(d.waiting[i]); n == 0 || n < least || i/lotsOfKind == kindLast && !s.atEnd() {
			continue
		}
		if v := d.rate(i); lot < 0 || v > rate {
			lot, rate = i, v
		}
	}
	if lot < 0 {
		return lot, 0
	}
	return lot, d.rate(lot)
}

// pays tells whether asking deeper is worth its time.
func (d *deeper) pays(s *byPlace) bool {
	_, rate := d.best(s, 1)
	return rate*float64(s.disc.Block) >= leastYield
}

// next is the next block to be asked deeper.
func (d *deeper) next(s *byPlace) (again, bool) {
	lot, rate := d.best(s, 1)
	if lot < 0 || s.stopped || !s.toTheEnd && s.left == 0 && rate*float64(s.disc.Block) < leastYield {
		return again{}, false
	}
	if len(d.run) == 0 || int(d.run[0].lot) != lot {
		d.begin(s, lot)
	}
	x := d.run[0]
	d.run = d.run[1:]
	d.asked = append(d.asked, x)
	return x, true
}

// begin takes a lot in hand, in order of address.
func (d *deeper) begin(s *byPlace, lot int) {
	for _, x := range d.run {
		d.waiting[x.lot] = append(d.waiting[x.lot], x)
	}
	d.run, d.waiting[lot], d.slow = d.waiting[lot], nil, s.atEnd()
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
		} else {
			d.lost.add(o.Took.Seconds())
		}
	default:
		d.came[x.lot]++
		d.won.add(o.Took.Seconds())
		s.price.good++
	}
	d.of[x.lot]++
	s.state[x.block] = closed
	if x.old {
		return o.Request.Range.Count()
	}
	return 0
}
