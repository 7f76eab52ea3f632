package imager

import (
	"context"
	"fmt"
	"slices"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/rawcd"
	"turnstone/mapfile"
)

// some tells whether a drive can be asked for anything raw that it was not asked for in
// this round.
func (w *rawWork) some(m *mapfile.Map, drive int, scope *sector.Set) bool {
	set, two := w.todo(m, drive, scope), w.todoFormTwo(m, drive, scope)
	return !set.Empty() || !two.Empty()
}

// todoFormTwo is the sectors of form 2 that a drive can be asked for.
func (w *rawWork) todoFormTwo(m *mapfile.Map, drive int, scope *sector.Set) sector.Set {
	round := len(m.Rounds()) - 1
	if w.reader == nil || w.shelf.asked(noRaw, round, drive) && !w.again {
		return sector.Set{}
	}
	set := w.two.missing()
	if scope != nil {
		set = set.Intersect(scope)
	}
	return w.fresh(set, round, drive)
}

// readFormTwo reads the sectors of form 2 that are missing: all of them once, then what
// did not come as a whole again and again. It is the last part of a pass.
func (p *pass) readFormTwo(ctx context.Context, reach *sector.Set) {
	if p.raw.reader == nil || p.how != "" || p.err != nil {
		return
	}
	p.saveNow()
	left := p.raw.todoFormTwo(p.c.m, p.rec.Drive, reach)
	if left.Empty() || p.err != nil {
		p.saveFormTwo(true)
		return
	}
	p.mend(ctx, slices.Collect(left.Runs()), 1)
	rest := left.Subtract(&p.raw.two.good)
	p.mend(ctx, slices.Collect(rest.Runs()), mostRawReadings)
	p.endRaw(ctx)
}

// putFormTwo puts a sector beside the image. One that was not known to be of form 2 is
// taken out of the written area at the end.
func (p *pass) putFormTwo(w *wanting, out rawcd.Outcome) {
	if !p.raw.two.sectors.Contains(w.at) {
		p.raw.stray.Add(sector.Span(w.at, 1))
		p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindForm, Range: sector.Span(w.at, 1),
			Text: fmt.Sprintf("sector %d is of form 2, with 2,324 bytes: it lies in %s, not in the image", w.at, formTwoName)})
	}
	if len(w.readings) > 1 {
		p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindRepaired, Range: sector.Span(w.at, 1),
			Text: fmt.Sprintf("sector %d was %s", w.at, repairedInWords(len(w.readings), out.Corrected))})
	}
	came := formTwoCame{round: p.rec.Round, readings: len(w.readings), proven: out.Proven}
	if err := p.raw.two.put(w.at, out.Sector, came); err != nil {
		p.fail(fmt.Errorf("writing %s: %w", formTwoName, err))
	}
}

// formTwoEvery is how often what lies beside the image is made durable.
const formTwoEvery = 5 * time.Second

// saveFormTwo makes what lies beside the image durable: now, or where that is due.
func (p *pass) saveFormTwo(now bool) {
	w := &p.raw
	if w.two == nil || p.err != nil || !now && p.c.now().Sub(w.saved) < formTwoEvery {
		return
	}
	w.saved = p.c.now()
	if err := w.two.save(); err != nil {
		p.fail(fmt.Errorf("saving %s: %w", formTwoIndex, err))
		return
	}
	if now && !w.stray.Empty() {
		// The map learns of it last: until then the sectors are missing there.
		if r, ok := p.saver.wait(); ok {
			p.saved(r)
		}
		if err := p.c.m.SetDisc(p.c.withoutFormTwo(p.c.m.Disc())); err != nil {
			p.fail(err)
			return
		}
		disc := p.c.m.Disc()
		p.written = disc.Written.Count()
		w.stray = sector.Set{}
	}
	// Whoever looks on; while a checkpoint runs the map is its own, and so is this.
	if p.saver.running == nil && p.saver.err == nil && !p.saver.putOff {
		if err := p.c.disk.writeStatus(p.c.m); err != nil {
			p.fail(fmt.Errorf("writing %s: %w", statusName, err))
		}
	}
}

// withoutFormTwo is a disc whose written area has no sectors that are known to be of
// form 2, unless they are good in the image.
func (c *Case) withoutFormTwo(d mapfile.Disc) mapfile.Disc {
	two, err := loadFormTwo(c.Dir)
	if err != nil || two.sectors.Empty() || d.Kind != "cd" {
		return d
	}
	good := c.m.In(mapfile.Good)
	out := two.sectors.Subtract(&good)
	d.Written = d.Written.Subtract(&out)
	return d
}
