package imager

import (
	"context"
	"errors"
	"slices"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// A drive that gives no answer at one place may be well: it is brought back, and goes on
// elsewhere. Where it gives none there either, nobody knows whether both places are to
// blame or the drive: two marginal places in turn stall a drive that is well. So it is
// asked for what it should be able to read, a good block (the identity read):
//
//	stall ──► brought back ──► goes on elsewhere
//	stall, no answer between ──► brought back ──► a good block ──┬─ comes: goes on elsewhere
//	                                                             └─ does not: the pass ends
//
// Each bringing back is an opening, and brings one identity read with it at most. What was
// asked for when the drive stalled comes last of all, block by block; a block that was asked
// for by itself is bad.
const (
	// stallsRunning is how many stalls without an answer between them, a sector or a
	// failure that is the disc's, leave open whether the drive answers anywhere.
	stallsRunning = 2
	// stallsInVain ends a pass though good blocks come: so many stalls since a request was
	// answered. With the bringing back each takes 73 seconds or so, all of them some twenty
	// minutes. After 16 in vain a place brings its block of 16 sectors once in six times at the
	// most (1 - .05^(1/16) = .17, at 95 per cent): a sector in 27 seconds, where a plan ends its
	// pass at one in ten.
	//
	// The most stalls in vain without this limit, on simulated discs: 8 in passes that end by
	// themselves, with a drive that stalls at every lost track (21 on a disc with a blot of
	// 13 mm, 25 hours after the pass had begun); 7 in passes to the end where it stalls at
	// three in ten. Where it stalls at every one, a pass to the end had 264, five hours that
	// brought 14 sectors.
	stallsInVain = 16
)

// stalls is the requests that the drive gave no answer to, since it answered one.
type stalls struct {
	at    []sector.Range
	good  []sector.Range // good blocks that came between
	since int            // stalls since the last of these
}

// unclear tells whether it is open that the drive answers anywhere.
func (s *stalls) unclear() bool { return s.since >= stallsRunning }

func (s *stalls) add(at sector.Range) { s.at, s.since = append(s.at, at), s.since+1 }

// show notes that a good block came.
func (s *stalls) show(block sector.Range) { s.good, s.since = append(s.good, block), 0 }

// apart is what the next good block is to lie apart from: places that may stall again, and
// what came last, which the drive might bring from its buffer without a look at the disc.
func (s *stalls) apart() []sector.Range { return slices.Concat(s.at, s.good) }

// nothingShown is why a pass ends whose drive gave no answer twice, where nothing is good.
const nothingShown = "%v; it gave none at the place before either, and no sector is good yet that could show whether it gives any"

// stalled abandons what waits, brings the drive back and goes on elsewhere, or ends the
// pass where the drive does not answer anywhere. At is what it gave no answer for.
func (p *pass) stalled(ctx context.Context, e *device.ReadError, at sector.Range) {
	for _, req := range p.asked {
		p.plan.Note(plan.Outcome{Request: req.Request}) // not asked
	}
	p.asked = nil
	p.control.forget()
	// Failures before the stall that nothing bore out stay open: the drive may
	// have been on its way out already.
	p.drop("the drive stalled before it delivered another sector")
	p.stalls.add(at)
	again, can := p.r.Reader.(device.Reopener)
	switch {
	case p.how != "":
		return
	case !can:
		p.end(HowStalled, "%v", e)
		return
	case p.stalls.unclear() && p.good == 0:
		p.end(HowStalled, nothingShown, e)
		return
	case len(p.stalls.at) >= stallsInVain:
		p.end(HowStalled, "%v; it gave none at %d places running, though good blocks came between: the next pass goes on elsewhere", e, len(p.stalls.at))
		return
	}
	if err := p.comeBack(ctx, again); err != nil {
		p.end(HowStalled, "%v; and it could not be opened again: %v", e, err)
		return
	}
	before := p.info
	p.info = p.r.Reader.Info()
	p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindReopened, Text: p.info.Name() + " opened again after a stall"})
	p.sameAfter(ctx, before)
	if p.how == "" && p.stalls.unclear() {
		p.stillAnswers(ctx, e)
	}
}

// stillAnswers has the drive show that it answers, by a good block, or ends the pass. E is
// its last stall.
func (p *pass) stillAnswers(ctx context.Context, e *device.ReadError) {
	known, err := p.readGood(ctx, "the drive answers, so it was the places that stalled it")
	failed, _ := errors.AsType[*device.ReadError](err)
	switch {
	case p.err != nil || err == nil && !known.Empty():
	case known.Empty():
		p.end(HowStalled, nothingShown, e)
	case otherDisc(err), failed != nil && failed.Class == device.Changed:
		p.end(HowOtherDisc, "after a stall: %v", err)
	case failed != nil && failed.Class == device.Gone:
		p.end(HowGone, "after a stall: %v", failed)
	case failed == nil && ctx.Err() != nil:
		p.end(HowInterrupted, "interrupted")
	case failed != nil:
		err = failed // which says what was asked for
		fallthrough
	default:
		p.end(HowStalled, "%v; nor did it give a good block then: %v", e, err)
	}
}
