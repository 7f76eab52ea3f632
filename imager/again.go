package imager

import (
	"context"
	"fmt"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// again is a pass that reads sectors in conflict once more, for a decision. It is
// the one pass that asks for good sectors, and it asks for those in conflict only.
// What comes is not stored, unless it is like no side: then it is a further one,
// kept beside the image.
type again struct {
	*pass
	firm []decision
}

// readAgain reads the sectors in conflict and settles those of which one side
// came again.
func (c *Case) readAgain(ctx context.Context, r Reading, info device.Info) (Ending, error) {
	disputed := c.m.InConflict()
	shown := sector.Of(sector.Span(0, info.Sectors)) // it may lack the disc's end (mayLack)
	disputed = disputed.Intersect(&shown)
	if !r.Only.Empty() {
		disputed = disputed.Intersect(&r.Only)
	}
	if disputed.Empty() {
		return Ending{Pass: -1}, ErrNoConflict
	}
	p, err := c.beginReading(r, info)
	if err != nil {
		return Ending{Pass: -1}, err
	}
	g := again{pass: p}
	left := disputed.Count()
	for run := range disputed.Runs() {
		for run.First < run.End && g.how == "" {
			part := sector.Span(run.First, min(int64(info.MaxSectors), run.Count()))
			run.First = part.End
			g.look(ctx)
			if g.how == "" {
				g.read(ctx, part, left)
			}
			left -= part.Count()
		}
	}
	g.saveNow()
	if g.err == nil {
		done, err := c.settle(g.firm, g.n, fmt.Sprintf("read again by pass %d", g.n), g.listener)
		if err != nil {
			g.fail(err)
			g.saver.err = err // the map was taken as it is on the disk
		}
		g.end(HowComplete, "every sector in conflict was asked for once more; %d of %d are settled", done.Kept+done.Changed, disputed.Count())
	}
	return g.intake.finish()
}

// read asks for sectors, singly those of a request that failed.
func (g *again) read(ctx context.Context, r sector.Range, left int64) {
	if err := g.r.Reader.Ask(r); err != nil {
		g.fail(fmt.Errorf("asking %s for %v: %w", g.info.Name(), r, err))
		return
	}
	g.since = g.c.now()
	a, ok := g.wait(ctx, r, left)
	if !ok {
		return
	}
	came := sector.Span(r.First, a.Good())
	if !came.Empty() {
		g.judge(came, a.Data)
	}
	if a.Err == nil {
		return
	}
	g.rec.Failed++
	g.tell(mapfile.Event{Time: g.c.now(), Pass: g.n, Kind: KindFailedRead, Range: r, Took: a.Took, Text: a.Err.Error()})
	switch a.Err.Class {
	case device.Stalled:
		g.end(HowStalled, "%v", a.Err)
	case device.Gone:
		g.end(HowGone, "%v", a.Err)
	case device.Changed:
		g.end(HowOtherDisc, "%v", a.Err)
	case device.Refused:
		g.fail(a.Err)
	}
	for at := came.End; r.Count() > 1 && at < r.End && g.how == "" && ctx.Err() == nil; at++ {
		g.read(ctx, sector.Span(at, 1), left)
	}
}

// wait waits for the answer; once the user ends the pass, no longer than grace.
func (g *again) wait(ctx context.Context, r sector.Range, left int64) (device.Answer, bool) {
	for {
		until, cancel := context.WithTimeout(ctx, tick)
		a, err := g.r.Reader.Answer(until)
		cancel()
		now := g.c.now()
		p := g.progress(now)
		p.Left, p.Doing, p.At, p.Trying = left, "read again to settle a conflict", r, now.Sub(g.since)
		g.listener.Progress(p)
		switch {
		case err == nil:
			return a, true
		case until.Err() == nil:
			g.fail(fmt.Errorf("waiting for %s: %w", g.info.Name(), err))
			return a, false
		case ctx.Err() != nil:
			until, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
			defer cancel()
			if a, err = g.r.Reader.Answer(until); err != nil {
				g.end(HowInterrupted, "interrupted")
				return a, false
			}
			return a, true
		}
	}
}

// judge holds what came against the sides of the conflicts.
func (g *again) judge(r sector.Range, data []byte) {
	sums := mapfile.AppendSums(nil, data)
	asKept, asOther, asNone := 0, 0, 0
	for i, sum := range sums {
		at := r.First + sector.LBA(i)
		if pass, known := g.c.m.Brought(at, sum); known {
			if kept, _, _ := g.c.m.Sum(at); kept == sum {
				asKept++
			} else {
				asOther++
			}
			g.firm = append(g.firm, decision{at, sum, pass})
			continue
		}
		asNone++
		run := mapfile.Run{Range: sector.Span(at, 1), Result: mapfile.Delivered, Attempts: 1}
		g.keep(run, data[i*sector.Size:][:sector.Size], sums[i:i+1])
	}
	g.delivered += int64(len(data)) - int64(asNone)*sector.Size
	g.tell(mapfile.Event{Time: g.c.now(), Pass: g.n, Kind: KindReadAgain, Range: r,
		Text: fmt.Sprintf("sectors %v: %d as in the image, %d as another pass had them, %d like neither", r, asKept, asOther, asNone)})
}
