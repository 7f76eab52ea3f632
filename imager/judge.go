package imager

import (
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// judge says what an answer means for the sectors that were asked for, before
// any doubt about the drive: which came, which failed, and which count as not
// asked.
//
//	request   ├────────────────────────────────────┤
//	commands  ├────┤├────┤├────┤                      the last of them failed
//	came      ├──────────────┤
//	failed                    ├─┤  the block of the failing address, or what is left
//	                              of a request within one block
//	not asked                    ├─────────────────┤
//
// A command for several blocks that failed without a valid address failed somewhere:
// it is a blur, and its blocks are to be asked singly.
func judge(req plan.Request, a device.Answer, block int64) plan.Outcome {
	out := plan.Outcome{Request: req, Good: min(a.Good(), req.Range.Count()), Took: a.Took, Weak: len(a.Weak) > 0, Result: mapfile.Failed}
	if a.Err == nil {
		return out
	}
	if a.Last > 0 {
		out.Took = a.Last
	}
	tried := a.Err.Asked.Intersect(req.Range)
	if tried.Empty() || req.Range.Blocks(block).Count() <= block {
		tried = req.Range
	}
	rest := sector.Range{First: req.Range.First + sector.LBA(out.Good), End: tried.End}
	single := tried.Blocks(block).Count() <= block
	switch a.Err.Class {
	case device.Gone, device.Changed, device.Refused:
		return out // nothing was said about the disc
	case device.Stalled:
		out.Result = mapfile.Stalled
	case device.Track:
		out.Result = mapfile.LostTrack
	}
	switch {
	case single:
		out.Failed = rest.Count()
	case rest.Contains(a.Err.At) && out.Result != mapfile.Stalled:
		failing := sector.Span(a.Err.At, 1).Blocks(block).Intersect(req.Range)
		if failing.First > rest.First {
			// Whole blocks before the failing one were held back: they and the
			// failing one are asked for again, singly.
			out.Blur, out.Blurred = true, rest.Count()
			break
		}
		out.Failed = failing.Intersect(rest).Count()
	default:
		out.Blur, out.Blurred = true, rest.Count()
	}
	return out
}

// cameIn is how long what came of an answer took: without the command that failed.
func cameIn(a device.Answer) time.Duration {
	if a.Err != nil && a.Last < a.Took {
		return a.Took - a.Last
	}
	return a.Took
}

// byWeakness goes through a run that came, in the parts of it that were weak and those
// that were not.
func byWeakness(came mapfile.Run, weak []sector.Range, yield func(mapfile.Run)) {
	part := func(end sector.LBA, weak bool) {
		p := came
		p.Range.End, p.Weak = min(end, came.Range.End), weak
		if !p.Range.Empty() {
			yield(p)
			came.Range.First = p.Range.End
		}
	}
	for _, w := range weak {
		part(w.First, false)
		part(w.End, true)
	}
	part(came.Range.End, false)
}

// runs is what the map keeps of an outcome: at most one run that came and one
// that failed.
func runs(o plan.Outcome, settings uint8) (came, failed mapfile.Run) {
	r := o.Request.Range
	came = mapfile.Run{
		Range: sector.Span(r.First, o.Good), Result: mapfile.Delivered,
		Attempts: 1, Took: mapfile.ClassOf(o.Took), Weak: o.Weak, Alone: o.Request.Alone, Settings: settings,
	}
	failed = came
	failed.Range = sector.Span(came.Range.End, o.Failed)
	failed.Result, failed.Weak = o.Result, false
	return came, failed
}
