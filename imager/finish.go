package imager

import "context"

// finish decides what is still open, saves what the pass brought and gives it
// its end.
func (p *pass) finish(ctx context.Context) (Ending, error) {
	p.resolve(ctx)
	return p.intake.finish()
}

// resolve decides about failures that are still in doubt at the end of a pass.
func (p *pass) resolve(ctx context.Context) {
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

// Failed tells whether a pass ended because of drive or disc.
func (e Ending) Failed() bool {
	return e.How == HowStalled || e.How == HowGone || e.How == HowOtherDisc
}
