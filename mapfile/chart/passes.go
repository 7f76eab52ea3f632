package chart

import (
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// passStrip is what one pass did, by bin.
type passStrip struct {
	number, round int
	drive         string // as people call it; where a merge came from
	merged        bool
	won           int64
	seconds       float64
	failedReads   int64
	wonIn         []int64   // sectors
	secondsIn     []float64 // an estimate; see share

	// For standingAfter only.
	set    sector.Set // the sectors won
	failed sector.Set // what a drive was asked for and did not give
}

// passesUpTo is what the passes up to a round did.
func passesUpTo(m *mapfile.Map, round int, s *scale) []passStrip {
	drives, block := m.Drives(), max(1, m.Disc().BlockSectors)
	var all []passStrip
	for n, p := range m.Passes() {
		if p.Round > round {
			continue
		}
		t := passStrip{
			number: n, round: p.Round, merged: p.Drive < 0, won: m.Won(n), seconds: p.Seconds, failedReads: p.Failed,
			wonIn: make([]int64, len(s.bins)),
		}
		switch {
		case p.Drive >= 0:
			t.drive = drives[p.Drive].Name()
		case p.Origin != nil:
			t.drive = "merged from " + p.Origin.Case
		default:
			t.drive = "merged"
		}
		if t.won > 0 {
			t.set = m.WonSet(n)
			sets := spreading{scale: s}
			for r := range t.set.Runs() {
				sets.spread(r, func(bin int, k int64) { t.wonIn[bin] += k })
			}
		}
		failures, came := make([]float64, len(s.bins)), make([]float64, len(s.bins))
		runs := spreading{scale: s}
		for r := range m.Runs(n) {
			if r.Result.Came() {
				runs.spread(r.Range, func(bin int, k int64) { came[bin] += float64(k) })
				continue
			}
			if p.Drive >= 0 {
				t.failed.Add(r.Range)
			}
			each := float64(max(1, r.Attempts)) * r.Took.Duration().Seconds()
			if !r.Alone {
				each /= float64(block) // failed requests are of one block
			}
			runs.spread(r.Range, func(bin int, k int64) { failures[bin] += each * float64(k) })
		}
		t.secondsIn = share(p.Seconds, failures, came)
		all = append(all, t)
	}
	return all
}

// share shares a pass's time out to the bins. The map keeps of each failed request
// how long it took, to 5 %: failures has that, in seconds. What is left of the time
// is shared out evenly over the sectors that came, since the map does not keep how
// they were asked for. Where the failed requests add up to more than the pass's
// time, they are scaled down to it.
func share(seconds float64, failures, came []float64) []float64 {
	failed, sectors := sum(failures), sum(came)
	scale, rest := 1.0, seconds-failed
	if rest < 0 || sectors == 0 { // then all of the time is the failures'
		scale, rest = 0, 0
		if failed > 0 {
			scale = max(0, seconds) / failed
		}
	}
	out := make([]float64, len(failures))
	for i := range out {
		out[i] = failures[i] * scale
		if rest > 0 {
			out[i] += rest * came[i] / sectors
		}
	}
	return out
}

func sum(values []float64) float64 {
	total := 0.0
	for _, v := range values {
		total += v
	}
	return total
}

// tally is sectors by class, and how many of the scale's bin are written at all.
type tally struct {
	Sectors []int64 // by class
	Written int64
}

// missing is how many of the tally's sectors are not in the image.
func (t *tally) missing(classes []class) int64 {
	var n int64
	for c, k := range t.Sectors {
		if classes[c].kind != won {
			n += k
		}
	}
	return n
}

// count counts the standing's sectors within a range by bin.
func (s *standing) count(in sector.Range, sc *scale) []tally {
	all := make([]tally, len(sc.bins))
	for i := range all {
		all[i].Sectors = make([]int64, len(s.classes))
	}
	for c := range s.sets {
		cuts := spreading{scale: sc}
		for r := range s.sets[c].In(in) {
			cuts.spread(r, func(bin int, n int64) {
				all[bin].Sectors[c] += n
				all[bin].Written += n
			})
		}
	}
	return all
}
