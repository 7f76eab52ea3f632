package imager

import (
	"context"
	"errors"
	"fmt"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// A drive on its way out answers every request with the same error as a bad
// sector gives. So a failure of class Doubtful stands only once the same opened
// drive has delivered another sector after it, or once a good block was read
// again (the identity read).
//
// After so many doubtful answers running the good block is read without waiting
// for the end of the pass: as many as the plan has stretches. Where nothing is
// good yet, twice as many end the pass: every part of the disc was asked then.
const (
	doubtfulBeforeProof = 256
	doubtfulBeforeEnd   = 512
)

// doubt holds the failures that do not stand yet.
type doubt struct {
	runs    []mapfile.Run
	events  []mapfile.Event
	answers int // doubtful ones since the last delivery
}

func (d *doubt) add(r mapfile.Run, e mapfile.Event) {
	d.answers++
	if !r.Range.Empty() {
		d.runs = append(d.runs, r)
	}
	d.events = append(d.events, e)
}

// stand puts all of it into the epoch.
func (d *doubt) stand(e *epoch) {
	for _, r := range d.runs {
		e.failed(r)
	}
	for _, ev := range d.events {
		e.event(ev)
	}
	*d = doubt{}
}

// wantsProof tells whether the doubt has grown so that the reading should stop
// for it.
func (d *doubt) wantsProof(possible bool) bool {
	if possible {
		return d.answers >= doubtfulBeforeProof
	}
	return d.answers >= doubtfulBeforeEnd
}

// drop leaves the doubtful failures uncounted.
func (p *pass) drop(why string) {
	var open sector.Set
	for _, r := range p.doubt.runs {
		open.Add(r.Range)
	}
	p.dropped += len(p.doubt.events)
	if n := len(p.doubt.events); n > 0 {
		p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindDropped, Range: open.Bounds(), Count: n,
			Text: fmt.Sprintf("%d failed reads do not count, %d sectors stay open: %s", n, open.Count(), why)})
	}
	p.doubt = doubt{}
}

// prove decides about the doubtful failures by the identity read. Nothing may be
// in hand.
func (p *pass) prove(ctx context.Context) {
	known, err := p.readGood(ctx, "the drive and the disc are there")
	if p.err != nil {
		return
	}
	if known.Empty() {
		n := p.doubt.answers
		p.drop("nothing was ever delivered, so a drive that fails can't be told from a disc that does")
		p.end(HowGone, "%d reads running failed with an input/output error and nothing was ever delivered; "+
			"a drive that is on its way out looks like that", n)
		return
	}
	switch {
	case err == nil:
		p.doubt.stand(&p.epoch)
	case otherDisc(err):
		p.drop("another disc lies in the drive")
		p.end(HowOtherDisc, "%v", err)
	case errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded):
		p.drop("the pass was ended before the drive was shown to be well")
		p.end(HowInterrupted, "interrupted")
	default:
		p.drop("the drive did not even give a sector that is known to be good")
		p.end(HowGone, "%v", err)
	}
}

// goodBlock is what a good block is read for, half a sentence.
const goodBlock = "a good block, to see whether the drive is well"

// readGood reads a good block and keeps an event of it: what it shows, or the error, which
// is as readIdentity's. The empty range is returned, and nothing was read, where nothing is
// good or the map could not be saved (p.err). Nothing may be in hand.
func (p *pass) readGood(ctx context.Context, shows string) (known sector.Range, err error) {
	p.saveNow() // what came in this pass can serve; and the map is the saver's while it saves
	if p.err != nil {
		return known, nil
	}
	if known = identityBlock(p.c.m, p.rec.Drive, p.stalls.apart()...); known.Empty() {
		return known, nil
	}
	at := func(g *Progress) { g.Doing, g.At = goodBlock, known }
	err = p.watch(at, func() error { return readIdentity(ctx, p.c.m, p.r.Reader, known) })
	e := mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindIdentity, Range: known, Text: shows}
	if err != nil {
		e.Text = err.Error()
	} else {
		p.stalls.show(known)
	}
	p.tell(e)
	return known, err
}
