package imager

import (
	"context"
	"errors"
	"fmt"
	"time"

	"turnstone/device"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

const (
	// tick is how often a listener hears that the drive still works on a request.
	tick = time.Second
	// grace is how long the requests in hand may take once the user ends a pass.
	grace = 2 * time.Second
)

// pass is a pass that reads a drive, while it runs.
type pass struct {
	intake
	r     Reading
	info  device.Info
	plan  *plan.Plan    // of the part that runs
	first *plan.Request // what the plan has said already; nil: nothing

	course   course
	raw      rawWork
	partDone bool // the plan has nothing more to ask, and nothing is in hand

	fragile bool // as the eye saw it

	asked   []inHand  // oldest first
	since   time.Time // when the drive took up the oldest
	control control
	doubt   doubt
	stalls  stalls

	dropped int // failed reads that do not count and that the plan takes for asked
	block   int64
	news    news
}

// atLowSpeed is said of a request that the drive was slowed down for.
const atLowSpeed = "; at the drive's lowest speed"

// inHand is a request that the drive was asked, and the number of the settings that
// it is read by.
type inHand struct {
	plan.Request
	settings uint8
}

// news says how long to wait for an answer before a listener is told how the
// waiting goes. One wait serves all answers of a tick: one for each was measured
// at 17 µs of processor time.
type news struct {
	wait context.Context
	stop context.CancelFunc
}

// next is a wait that ends with ctx, and within a tick.
func (n *news) next(ctx context.Context) context.Context {
	if n.wait == nil || n.wait.Err() != nil {
		n.end()
		n.wait, n.stop = context.WithTimeout(ctx, tick)
	}
	return n.wait
}

func (n *news) end() {
	if n.stop != nil {
		n.stop()
	}
}

// lastSectors is how many, left to ask, come with the checkpoint that ends a part of the
// pass rather than have one begun right before it: 2 MiB, a tenth of a second at speed.
const lastSectors = 1024

// loop asks and takes answers until the pass is to end, then takes what is in
// hand.
func (p *pass) loop(ctx context.Context) {
	defer p.news.end()
	for p.how == "" {
		p.look(ctx)
		proof := p.doubt.wantsProof(p.good > 0)
		if p.how == "" && !proof {
			p.ask(ctx)
		}
		if p.partDone {
			p.partOver(ctx)
		}
		if len(p.asked) > 0 {
			p.answer(ctx)
		} else if p.how == "" && proof {
			p.prove(ctx)
		}
		p.saver.ending = p.plan.Left() <= lastSectors
		p.save()
	}
	p.takeLast(ctx)
}

// takeLast takes what is in hand when the pass ends, as long as it may take.
func (p *pass) takeLast(ctx context.Context) {
	within := grace
	if f, ok := p.r.Reader.(device.Finisher); ok {
		f.Finish(within)
		within += grace // for what it says then
	}
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), within)
	defer cancel()
	for len(p.asked) > 0 && p.err == nil {
		a, err := p.r.Reader.Answer(wait)
		if errors.Is(err, context.DeadlineExceeded) {
			p.silentAt(0, p.c.now().Sub(p.since))
		}
		if err != nil { // what was asked behind a drive that is gone has no answer
			return
		}
		if a.Silent > 0 { // it was made to end, and did not by itself
			p.silentAt(a.Good(), a.Silent)
		}
		p.act(ctx, a)
	}
}

// look ends the pass where the user or the clock wants it.
func (p *pass) look(ctx context.Context) {
	switch {
	case ctx.Err() != nil:
		p.end(HowInterrupted, "interrupted")
	case p.r.Budget > 0 && p.c.now().Sub(p.began) >= p.r.Budget:
		p.end(HowBudget, "the time of %v is used up", p.r.Budget)
	}
}

// ask keeps the drive's queue full.
func (p *pass) ask(ctx context.Context) {
	for len(p.asked) < p.info.Depth {
		if p.course.leaves(p.plan) {
			p.partDone = len(p.asked) == 0
			return
		}
		req, step := p.next()
		switch {
		case step == plan.Done && len(p.asked) == 0:
			p.partDone = true // what came last is to be saved before the next part is planned
			return
		case step != plan.Ask:
			return
		}
		if int64(req.Range.End) > p.info.Sectors { // opened again it lacks the end
			p.end(HowStalled, "opened again after a stall the drive shows %d sectors: the next pass goes on with these", p.info.Sectors)
			return
		}
		settings, err := p.control.use(ctx, req.Settings, req.Slow && p.course.maySlow())
		if err != nil {
			p.notSet(ctx, req, err)
			return
		}
		p.rec.Settings = p.control.all
		if req.Slow && p.control.slow > 0 {
			req.Why += atLowSpeed
		}
		if err := p.r.Reader.Ask(req.Range); err != nil {
			p.fail(fmt.Errorf("asking %s for %v: %w", p.info.Name(), req.Range, err))
			return
		}
		if len(p.asked) == 0 {
			p.since = p.c.now()
		}
		p.asked = append(p.asked, inHand{req, settings})
	}
}

// next is what the plan says next.
func (p *pass) next() (plan.Request, plan.Step) {
	if first := p.first; first != nil {
		p.first = nil
		return *first, plan.Ask
	}
	return p.plan.Next()
}

// notSet acts on a drive that could not be set to what a request is to be read by;
// the request was not asked.
func (p *pass) notSet(ctx context.Context, req plan.Request, err error) {
	p.plan.Note(plan.Outcome{Request: req})
	if e, ok := errors.AsType[*device.ReadError](err); ok {
		p.failed(ctx, plan.Outcome{Request: req}, 0, e)
		return
	}
	p.fail(fmt.Errorf("setting %s: %w", p.info.Name(), err))
}

// answer waits for the next answer, for as long as a listener should wait for
// news, and acts on it.
func (p *pass) answer(ctx context.Context) {
	wait := p.news.next(ctx)
	a, err := p.r.Reader.Answer(wait)
	switch {
	case err == nil:
		p.act(ctx, a)
	case wait.Err() == nil:
		p.fail(fmt.Errorf("waiting for %s: %w", p.info.Name(), err))
		return
	}
	p.report()
}

// act does what the answer to the oldest request calls for.
func (p *pass) act(ctx context.Context, a device.Answer) {
	req := p.asked[0]
	p.asked = p.asked[1:]
	p.since = p.c.now()
	out := judge(req.Request, a, p.block)
	p.plan.Note(out)
	p.course.pace.note(out.Good, a.Took)
	if a.Err == nil && p.how == "" && ctx.Err() == nil {
		p.ask(ctx) // before the data is used: the drive has work meanwhile
	}
	if out.Good > 0 {
		p.deliver(out, req.settings, a)
	}
	if a.Err != nil {
		p.rec.Failed++
		p.failed(ctx, out, req.settings, a.Err)
	}
}

// deliver puts what came into the image and into the epoch.
func (p *pass) deliver(out plan.Outcome, settings uint8, a device.Answer) {
	p.stalls = stalls{}
	// The drive gives sectors: what failed before is the disc's doing.
	p.doubt.stand(&p.epoch)
	came, _ := runs(out, settings)
	came.Took = mapfile.ClassOf(cameIn(a))
	byWeakness(came, a.Weak, func(r mapfile.Run) {
		p.put(r, a.Data[(r.Range.First - came.Range.First).Offset():][:r.Range.Bytes()], nil)
	})
}

// failed acts on the failed part of an answer.
func (p *pass) failed(ctx context.Context, out plan.Outcome, settings uint8, e *device.ReadError) {
	_, failed := runs(out, settings)
	event := mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindFailedRead,
		Range: failed.Range, Took: out.Took, Text: e.Error()}
	if failed.Range.Empty() {
		event.Range = out.Request.Range
		if asked := e.Asked.Intersect(event.Range); !asked.Empty() {
			event.Range = asked
		}
	}
	switch e.Class {
	case device.Doubtful:
		p.doubt.add(failed, event)
		p.listener.Event(event)
		return
	case device.Stalled:
		event.Kind = KindStall
		p.tell(event)
		p.epoch.failed(failed)
		ended := p.how != ""
		if p.stalled(ctx, e, event.Range); ended || p.how == HowStalled {
			p.silent(event.Range, out.Took)
		}
		return
	case device.Gone:
		event.Kind = KindGone
		p.tell(event)
		p.end(HowGone, "%v", e)
		return
	case device.Changed:
		p.tell(event)
		p.end(HowOtherDisc, "%v", e)
		return
	case device.Refused:
		p.tell(event)
		p.fail(e)
		return
	}
	p.stalls = stalls{} // it answers: what it says of the disc it says soon
	p.tell(event)
	p.epoch.failed(failed)
}

// left is the sectors that the pass may still ask for.
func (p *pass) left() int64 { return p.plan.Left() + p.course.beyond }

// report tells the listener where the pass stands.
func (p *pass) report() {
	now := p.c.now()
	g := p.progress(now)
	g.Left = p.left()
	if len(p.asked) > 0 {
		g.Doing, g.At, g.Trying = p.asked[0].Why, p.asked[0].Range, now.Sub(p.since)
	}
	p.listener.Progress(g)
}
