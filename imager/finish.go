package imager

import (
	"context"
	"errors"
	"fmt"

	"turnstone/mapfile"
)

// finish saves what the pass brought and gives it its end.
func (p *pass) finish(ctx context.Context) (Ending, error) {
	p.settle(ctx)
	if p.err == nil {
		p.rec.How, p.rec.Ended = p.how, p.c.now()
	}
	p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindEnded, Text: p.how + ": " + p.why})
	p.saveAll()
	e := Ending{Pass: p.n, How: p.how, Why: p.why}
	if p.err == nil {
		return e, nil
	}
	return e, errors.Join(p.err, p.takeBack())
}

// settle decides about failures that are still in doubt at the end of a pass.
func (p *pass) settle(ctx context.Context) {
	if len(p.doubt.events) == 0 {
		return
	}
	switch {
	case p.how == HowStalled || p.how == HowGone || p.how == HowOtherDisc || p.err != nil:
		p.drop("the drive did not deliver another sector")
	case len(p.asked) > 0:
		p.drop("the pass was ended while the drive worked on a request")
	default:
		if ctx.Err() != nil {
			c, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
			defer cancel()
			ctx = c
		}
		how, why := p.how, p.why
		p.how = ""
		p.prove(ctx)
		p.end(how, "%s", why)
	}
}

// finalTries is how often the last checkpoint is tried while readers hold the
// map; each try waits for them as long as mapfile does.
const finalTries = 10

// saveAll saves the whole epoch, and does not let readers of the map put it off
// for ever.
func (p *pass) saveAll() {
	if r, ok := p.saver.wait(); ok {
		p.saved(r)
	}
	for range finalTries {
		if p.saver.err != nil {
			return
		}
		p.startSave()
		r, _ := p.saver.wait()
		if !errors.Is(r.err, mapfile.ErrBusy) {
			p.saved(r)
			return
		}
	}
	p.fail(fmt.Errorf("saving: %w, for all of %d tries", mapfile.ErrBusy, finalTries))
}

// takeBack ends a pass whose case's side failed: the map is taken as it is on
// the disk, for what memory says of sectors may not be there; what is not good is
// cleared, and the pass gets its end. Where that fails too, the next opening of
// the case does it.
func (p *pass) takeBack() error {
	m, err := p.c.disk.load()
	if err != nil {
		return err
	}
	p.c.m = m
	passes := m.Passes()
	if p.n < len(passes) {
		rec := passes[p.n]
		rec.Ended, rec.Failed, rec.Seconds = p.c.now(), p.rec.Failed, p.rec.Seconds
		if err := m.SetPass(p.n, rec); err != nil {
			return err
		}
	}
	return p.c.endInOrder(HowError)
}

// Failed tells whether a pass ended because of drive or disc.
func (e Ending) Failed() bool {
	return e.How == HowStalled || e.How == HowGone || e.How == HowOtherDisc
}
