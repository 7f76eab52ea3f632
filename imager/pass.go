package imager

import (
	"context"
	"errors"
	"fmt"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

const (
	// tick is how often a listener hears that the drive still works on a request.
	tick = time.Second
	// grace is how long the requests in hand may take once the user ends a pass.
	grace = 2 * time.Second
	// stallsRunning ends a pass: so many stalls without a sector between them say
	// that the drive does not answer anywhere.
	stallsRunning = 2
)

// pass is one pass while it runs. Its methods run on one goroutine.
type pass struct {
	c     *Case
	r     Reading
	n     int
	rec   mapfile.Pass
	info  device.Info
	plan  *plan.Plan
	began time.Time

	asked  []plan.Request // in hand, oldest first
	since  time.Time      // when the drive took up the oldest
	epoch  epoch
	saver  saver
	doubt  doubt
	stalls int // without a delivery between them

	dropped int // failed reads that do not count and that the plan takes for asked
	block   int64

	written, good int64
	delivered     int64 // bytes

	how, why string // set when the pass is to end
	err      error  // of the case's side
}

// end makes the pass end; the first reason stands.
func (p *pass) end(how, format string, args ...any) {
	if p.how == "" {
		p.how, p.why = how, fmt.Sprintf(format, args...)
	}
}

// fail makes the pass end by an error on the case's side, whatever else ends it.
func (p *pass) fail(err error) {
	if p.err == nil {
		p.err = err
		p.how, p.why = HowError, err.Error()
	}
}

// loop asks and takes answers until the pass is to end, then takes what is in
// hand.
func (p *pass) loop(ctx context.Context) {
	for p.how == "" {
		p.look(ctx)
		proof := p.doubt.wantsProof(p.good > 0)
		if p.how == "" && !proof {
			p.ask()
		}
		if len(p.asked) > 0 {
			p.answer(ctx)
		} else if p.how == "" && proof {
			p.prove(ctx)
		}
		p.save()
	}
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	for len(p.asked) > 0 && p.err == nil {
		a, err := p.r.Reader.Answer(wait)
		if err != nil {
			return
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
func (p *pass) ask() {
	for len(p.asked) < p.info.Depth {
		req, step := p.plan.Next()
		switch {
		case step == plan.Done && len(p.asked) == 0:
			e := p.plan.End()
			if p.dropped > 0 {
				p.end(HowStalled, "the drive stalled, and %d failed reads before it do not count: the next pass asks again", p.dropped)
			}
			p.end(e.How, "%s", e.Why)
			return
		case step != plan.Ask:
			return
		}
		if err := p.r.Reader.Ask(req.Range); err != nil {
			p.fail(fmt.Errorf("asking %s for %v: %w", p.info.Name(), req.Range, err))
			return
		}
		if len(p.asked) == 0 {
			p.since = p.c.now()
		}
		p.asked = append(p.asked, req)
	}
}

// answer waits for the next answer, for as long as a listener should wait for
// news, and acts on it.
func (p *pass) answer(ctx context.Context) {
	wait, cancel := context.WithTimeout(ctx, tick)
	defer cancel()
	a, err := p.r.Reader.Answer(wait)
	switch {
	case err == nil:
		p.act(ctx, a)
	case wait.Err() == nil:
		p.fail(fmt.Errorf("waiting for %s: %w", p.info.Name(), err))
		return
	}
	p.progress()
}

// act does what the answer to the oldest request calls for.
func (p *pass) act(ctx context.Context, a device.Answer) {
	req := p.asked[0]
	p.asked = p.asked[1:]
	p.since = p.c.now()
	out := judge(req, a, p.block)
	p.plan.Note(out)
	if a.Err == nil && p.how == "" && ctx.Err() == nil {
		p.ask() // before the data is used: the drive has work meanwhile
	}
	if out.Good > 0 {
		p.deliver(out, a.Data[:out.Good*sector.Size])
	}
	if a.Err != nil {
		p.rec.Failed++
		p.failed(ctx, out, a.Err)
	}
}

// deliver puts what came into the image and into the epoch.
func (p *pass) deliver(out plan.Outcome, data []byte) {
	p.stalls = 0
	// The drive gives sectors: what failed before is the disc's doing.
	p.doubt.stand(&p.epoch)
	if p.err != nil {
		return
	}
	came, _ := runs(out, 0)
	if err := p.c.disk.writeImage(data, came.Range.First); err != nil {
		p.fail(fmt.Errorf("writing the image: %w", err))
		return
	}
	p.epoch.add(came, data)
	p.good += out.Good
	p.delivered += int64(len(data))
}

// failed acts on the failed part of an answer.
func (p *pass) failed(ctx context.Context, out plan.Outcome, e *device.ReadError) {
	_, failed := runs(out, 0)
	event := mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindFailedRead,
		Range: failed.Range, Took: out.Took, Text: e.Error()}
	if failed.Range.Empty() {
		event.Range = out.Request.Range
	}
	switch e.Class {
	case device.Doubtful:
		p.doubt.add(failed, event)
		p.r.Listener.Event(event)
		return
	case device.Stalled:
		event.Kind = KindStall
		p.tell(event)
		p.epoch.add(failed, nil)
		p.stalled(ctx, e)
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
	p.tell(event)
	p.epoch.add(failed, nil)
}

// tell keeps an event and passes it on.
func (p *pass) tell(e mapfile.Event) {
	p.epoch.event(e)
	p.r.Listener.Event(e)
}

// stalled abandons what waits, opens the drive anew and goes on elsewhere, or
// ends the pass where the drive does not answer anywhere.
func (p *pass) stalled(ctx context.Context, e *device.ReadError) {
	for _, req := range p.asked {
		p.plan.Note(plan.Outcome{Request: req}) // not asked
	}
	p.asked = nil
	// Failures before the stall that nothing bore out stay open: the drive may
	// have been on its way out already.
	p.drop("the drive stalled before it delivered another sector")
	p.stalls++
	again, can := p.r.Reader.(device.Reopener)
	switch {
	case p.how != "":
		return
	case !can:
		p.end(HowStalled, "%v", e)
		return
	case p.stalls >= stallsRunning:
		p.end(HowStalled, "%v; it had not answered elsewhere either", e)
		return
	}
	if err := again.Reopen(ctx); err != nil {
		p.end(HowStalled, "%v; and it could not be opened again: %v", e, err)
		return
	}
	before := p.info
	p.info = p.r.Reader.Info()
	p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindReopened, Text: p.info.Name() + " opened again after a stall"})
	if p.info.Sectors != before.Sectors {
		p.end(HowOtherDisc, "after a stall the drive holds %s, before it was %s",
			discInWords(p.info.Kind, p.info.Sectors), discInWords(before.Kind, before.Sectors))
		return
	}
	if p.good > 0 && (before.Medium == "" || p.info.Medium != before.Medium) {
		p.prove(ctx) // nothing tells that the disc was not changed meanwhile
	}
}

// save takes the result of a checkpoint that has ended and starts the next one
// when it is due.
func (p *pass) save() {
	r, ok := p.saver.poll()
	if !ok && p.saver.full(&p.epoch) {
		r, ok = p.saver.wait()
	}
	if ok {
		p.saved(r)
	}
	if p.saver.due(p.c.now(), &p.epoch) {
		p.startSave()
	}
}

// startSave seals the epoch and begins to save it.
func (p *pass) startSave() {
	e, now := p.epoch, p.c.now()
	p.epoch = epoch{}
	p.rec.Seconds = now.Sub(p.began).Seconds()
	p.saver.start(now, &e, p.rec)
}

// saveNow saves the epoch, if there is anything in it, and waits for it.
func (p *pass) saveNow() {
	if r, ok := p.saver.wait(); ok {
		p.saved(r)
	}
	if p.saver.err == nil && !p.epoch.empty() {
		p.startSave()
		r, _ := p.saver.wait()
		p.saved(r)
	}
}

func (p *pass) saved(r saved) {
	for _, c := range r.conflicts {
		p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindConflict, Range: sector.Span(c.At, 1),
			Text: fmt.Sprintf("other bytes than those kept from pass %d", c.KeptPass)})
	}
	if errors.Is(r.err, mapfile.ErrBusy) {
		p.r.Listener.Event(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindPutOff,
			Text: "another program reads the map: this checkpoint waits for the next one"})
	} else if r.err != nil {
		p.fail(r.err)
	}
}

// progress tells the listener where the pass stands.
func (p *pass) progress() {
	now := p.c.now()
	g := Progress{
		Time: now, Pass: p.n, Round: p.rec.Round,
		Sectors: p.written, Good: p.good, Missing: p.written - p.good, Left: p.plan.Left(),
		Delivered: p.delivered, Failed: p.rec.Failed,
	}
	if len(p.asked) > 0 {
		g.Doing, g.At, g.Trying = p.asked[0].Why, p.asked[0].Range, now.Sub(p.since)
	}
	p.r.Listener.Progress(g)
}
