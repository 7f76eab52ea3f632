package main

import (
	"turnstone/device"
	"turnstone/device/sim/ruler"
	"turnstone/imager"
	"turnstone/imager/plan"
)

// planned makes the program's own order of a job's passes, for the ruler.
type planned struct {
	job   *imager.Rehearsal // nil until the first pass
	round int
	err   error // the first that came
}

// order is that of the next pass.
func (p *planned) order(t ruler.Task) ruler.Order {
	if p.job == nil {
		p.job, p.err = imager.NewRehearsal(imager.DiscOf(t.Info))
	}
	for ; p.round < t.Round; p.round++ {
		p.job.OpenRound()
	}
	o := &plannedPass{of: p}
	if p.err == nil {
		o.pass, p.err = p.job.Begin(t.Info)
	}
	return o
}

// plannedPass is the order of one pass.
type plannedPass struct {
	of   *planned
	pass *imager.RehearsedPass
	now  plan.Request
}

// Next implements ruler.Order.
func (p *plannedPass) Next() (ruler.Request, bool) {
	if p.of.err != nil {
		return ruler.Request{}, false
	}
	var ok bool
	p.now, ok = p.pass.Next()
	return ruler.Request{Range: p.now.Range, Settings: device.Settings(p.now.Settings), Slow: p.now.Slow}, ok
}

// Note implements ruler.Order.
func (p *plannedPass) Note(_ ruler.Request, a device.Answer) {
	if err := p.pass.Note(p.now, a); err != nil && p.of.err == nil {
		p.of.err = err
	}
}
