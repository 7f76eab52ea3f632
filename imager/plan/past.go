package plan

import (
	"math"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// maxLBA is beyond any disc, and keeps sums of addresses within an int64.
const maxLBA = 1 << 50

// past is what one round and drive have learned of what is missing. Three of its
// sets hold whole blocks, which keeps them short.
type past struct {
	asked   sector.Set // asked for, and they did not come
	failed  sector.Set // those among them that failed with others of their block, and were not asked for alone since
	alone   sector.Set // blocks of which sectors were asked for alone
	came    sector.Set // blocks of which a sector came that was asked for alone
	stalled sector.Set // blocks in which the drive stalled
}

// pastOf is what the task's own round and drive have learned, within the disc.
// Where passes disagree the later one counts: what was delivered once and is
// missing now (it was found rotten in the image) may be asked for again.
func pastOf(t *Task, disc sector.Range, block int64) past {
	var p past
	if t.Again {
		return p
	}
	for _, h := range t.History {
		if h.Round == t.Round && h.Drive == t.Drive {
			p.add(h.Runs, disc, block)
		}
	}
	return p
}

// add adds a later pass.
func (p *past) add(runs []mapfile.Run, disc sector.Range, block int64) {
	var failed, other, delivered, single, alone, came, stalled []sector.Range
	for _, run := range runs {
		r := run.Range.Intersect(disc)
		if run.Result == mapfile.Merged || r.Empty() {
			continue
		}
		whole := r.Blocks(block)
		if run.Alone {
			single = append(single, r)
			alone = append(alone, whole)
		}
		switch {
		case run.Result == mapfile.Delivered:
			if run.Alone {
				came = append(came, whole)
			}
			if p.asked.Overlaps(r) {
				delivered = append(delivered, r)
			}
		case run.Result == mapfile.Stalled:
			stalled = append(stalled, whole)
			other = append(other, r)
		case run.Alone:
			other = append(other, r)
		default:
			failed = append(failed, r)
		}
	}
	p.asked = plus(plus(less(p.asked, delivered), failed), other)
	p.failed = less(less(p.failed, delivered), single)
	p.failed = plus(p.failed, failed)
	p.alone, p.came, p.stalled = plus(p.alone, alone), plus(p.came, came), plus(p.stalled, stalled)
}

// note adds the outcome of a request of this pass.
func (p *past) note(o Outcome, failed sector.Range, block int64) {
	whole := o.Request.Range.Blocks(block)
	switch {
	case !o.Request.Alone:
		p.failed.Add(failed)
	case o.Good > 0:
		p.alone.Add(whole)
		p.came.Add(whole)
	case o.Failed > 0:
		p.alone.Add(whole)
	}
	if o.Result == mapfile.Stalled {
		p.stalled.Add(failed.Blocks(block))
	}
}

func plus(s sector.Set, more []sector.Range) sector.Set {
	if len(more) == 0 {
		return s
	}
	o := sector.Of(more...)
	if s.Empty() {
		return o
	}
	return s.Union(&o)
}

func less(s sector.Set, taken []sector.Range) sector.Set {
	if s.Empty() || len(taken) == 0 {
		return s
	}
	o := sector.Of(taken...)
	return s.Subtract(&o)
}

// work is what a pass is about.
type work struct {
	disc  Disc
	past  past
	open  sector.Set // missing, and the pass may ask for it
	fresh sector.Set // those of open that its round and drive were not asked for yet
	few   few
}

func workOf(t Task) work {
	d := t.Disc
	d.Block = min(max(1, d.Block), 1<<16)
	d.Largest = min(max(d.Block, d.Largest), maxLBA) / d.Block * d.Block
	all := sector.Of(sector.Range{First: 0, End: maxLBA})
	d.Written = d.Written.Intersect(&all)
	open := d.Written.Subtract(&t.Good)
	if !t.Only.Empty() {
		open = open.Intersect(&t.Only)
	}
	w := work{disc: d, past: pastOf(&t, d.Written.Bounds(), d.Block), open: open, fresh: open}
	if !w.past.asked.Empty() {
		w.fresh = open.Subtract(&w.past.asked)
		w.few = fewOf(&t, &d, &w.open)
	}
	return w
}

// takesApart tells whether failed blocks are asked for sector by sector at all.
func (w *work) takesApart() bool { return w.disc.Block > 1 && !w.disc.WholeBlocks }

// ToAsk is what a pass may ask for at all; it is empty if and only if the pass
// would ask for nothing. Of blocks that failed in earlier passes and were not
// taken apart yet it holds those that the pass comes to if the ones before them
// yield something, and, as long as others were not asked for once, some more. What
// failed with fewer retries than the drive's own is in it until it was asked for with
// those, though a pass may find that not worth its time.
func ToAsk(t Task) sector.Set {
	w := workOf(t)
	ask, _ := w.ask()
	return ask
}

// ask is what the pass may ask for, and the parts of step 3, none where nothing
// is owed.
func (w *work) ask() (sector.Set, []part) {
	owed := w.owed()
	if owed.Empty() {
		ask := w.fresh
		for k := range w.few.waiting {
			ask = ask.Union(&w.few.waiting[k])
		}
		return ask, nil
	}
	ask, parts, unsure := w.fresh, w.parts(owed), w.unsure()
	for i := range parts {
		end := parts[i].reach(&unsure)
		within := sector.Of(sector.Range{First: 0, End: end})
		may := parts[i].owed.Intersect(&within)
		ask = ask.Union(&may)
		if end < math.MaxInt64 { // then nothing behind it is come to
			break
		}
	}
	return ask, parts
}

// owed is what is to be asked for sector by sector of the blocks that failed so
// far. Blocks in which the drive stalled are left as they are.
func (w *work) owed() sector.Set {
	if !w.takesApart() {
		return sector.Set{}
	}
	owed := w.past.failed.Subtract(&w.past.stalled)
	return owed.Intersect(&w.open)
}
