package imager

import (
	"context"
	"errors"
	"fmt"
	"time"

	"turnstone/device"
	"turnstone/mapfile"
)

// comeBack brings a drive back that gave no answer: by what can be done to it, the
// cheapest first, until it can be opened again. Each step is an event. Whatever goes
// beyond waiting is asked for first where the disc is fragile: a drive that is reset
// or loaded anew spins it up.
func (p *pass) comeBack(ctx context.Context, drive device.Reopener) error {
	reviver, ok := drive.(device.Reviver)
	if !ok {
		return drive.Reopen(ctx)
	}
	var last error
	for _, step := range reviver.Steps() {
		if step != device.Waiting && p.fragile && !p.allowed(ctx, step) {
			p.step(step, "not done: the disc is fragile, and nobody said yes")
			return errors.Join(last, fmt.Errorf("the disc is recorded as fragile: %s was not done", step))
		}
		began := p.c.now()
		reviving := func(g *Progress) { g.Reviving = step }
		if last = p.watch(reviving, func() error { return reviver.Revive(ctx, step) }); last == nil {
			last = drive.Reopen(ctx)
		}
		if last == nil {
			p.step(step, fmt.Sprintf("the drive answers after %.0f s", p.c.now().Sub(began).Seconds()))
			return nil
		}
		p.step(step, last.Error())
		e, read := errors.AsType[*device.ReadError](last)
		if ctx.Err() != nil || read && (e.Class == device.Gone || e.Class == device.Changed) {
			return last
		}
	}
	return last
}

// watch does what may take long, and tells the listener meanwhile what it is.
func (p *pass) watch(what func(*Progress), do func() error) error {
	began := p.c.now()
	done := make(chan error, 1)
	go func() { done <- do() }()
	news := time.NewTicker(tick)
	defer news.Stop()
	for {
		select {
		case err := <-done:
			return err
		case <-news.C:
			now := p.c.now()
			g := p.progress(now)
			g.Left, g.Trying = p.left(), now.Sub(began)
			what(&g)
			p.listener.Progress(g)
		}
	}
}

// allowed asks whether a step may be taken although the disc is fragile.
func (p *pass) allowed(ctx context.Context, step device.Step) bool {
	return p.r.Allow != nil && p.r.Allow(ctx, step)
}

func (p *pass) step(step device.Step, what string) {
	p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindStep, Text: fmt.Sprintf("%s: %s", step, what)})
}

// sameAfter tells whether drive and disc are the same after the drive was opened
// again, as far as they tell; otherwise the pass ends. Where they don't tell, a good
// block does.
func (p *pass) sameAfter(ctx context.Context, before device.Info) {
	p.saveNow() // the map is the saver's while it saves
	if p.err != nil {
		return
	}
	if driveNumber(p.c.m, p.info) != p.rec.Drive {
		p.end(HowGone, "after a stall %s answers instead of %s", p.info.Name(), before.Name())
		return
	}
	mustRead, err := p.c.recognise(p.info)
	switch d := p.info.Sectors - before.Sectors; {
	case err != nil:
		p.end(HowOtherDisc, "after a stall: %v", err)
	case max(d, -d) > mayLack(before.Node):
		// The kernel may have taken a little off the end meanwhile, or put it back.
		p.end(HowOtherDisc, "after a stall the drive holds %s, before it was %s",
			discInWords(p.info.Kind, p.info.Sectors), discInWords(before.Kind, before.Sectors))
	case mustRead && p.good > 0:
		p.prove(ctx)
	}
}
