package imager

import (
	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// judge says what an answer means for the sectors that were asked for, before
// any doubt about the drive: which came, which failed, and which count as not
// asked.
//
//	asked   ├────────────────────────────────────┤
//	came    ├─────────┤
//	failed             ├───┤  the block of the failing address, or what is left
//	                         of a request within one block
//	not asked               ├────────────────────┤
//
// A request of several blocks that failed without a valid address failed
// somewhere: it is a blur, and its blocks are to be asked singly.
func judge(req plan.Request, a device.Answer, block int64) plan.Outcome {
	out := plan.Outcome{Request: req, Good: min(a.Good(), req.Range.Count()), Took: a.Took, Weak: a.Weak, Result: mapfile.Failed}
	if a.Err == nil {
		return out
	}
	rest := sector.Range{First: req.Range.First + sector.LBA(out.Good), End: req.Range.End}
	single := req.Range.Blocks(block).Count() <= block
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
			out.Blur = true
			break
		}
		out.Failed = failing.Intersect(rest).Count()
	default:
		out.Blur = true
	}
	return out
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
