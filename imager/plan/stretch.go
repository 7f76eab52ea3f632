package plan

import (
	"slices"
	"sort"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// stretches is how many parts the written area is read by.
const stretches = 256

// Half sentences for the person who watches.
const (
	whyForward = "reading forward"
	whyBest    = "on to the stretch with the best record"
	whyCareful = "block by block around a failed one"
	whyPart    = "what is missing of one block"
	whyBlur    = "block by block: the request before failed as a whole"
	whySuspect = "block by block, last of all: the drive stopped answering about here"
)

// byStretches is steps 1 and 2 of the order: every block is asked for once. It never
// edits the set of what is to be asked for, which may have a hundred thousand
// runs: each stretch has a place up to which it was asked, and short sets of
// what lies before that place and is to be asked after all.
type byStretches struct {
	disc    Disc
	fresh   sector.Set
	all     [stretches]stretch
	at      int        // the current one
	leave   bool       // a block of the current one failed
	suspect sector.Set // a stall lies somewhere in it: last of all
	last    bool       // all else was asked for
}

type stretch struct {
	end    sector.LBA
	next   sector.LBA // the first sector to be asked for at or behind the place that reading forward came to
	back   sector.Set // before next: asked for, then counted as not asked
	blur   sector.Set // before next: to be asked for block by block
	learnt past       // where failed blocks are taken apart: what that has to know
	size   int64      // of the next request, in blocks
	good   int64      // blocks; a run of what is missing of a block counts as one
	tried  int64
}

func newByStretches(d Disc, fresh sector.Set) *byStretches {
	s := &byStretches{disc: d, fresh: fresh}
	var whole []sector.Range
	for r := range d.Written.Runs() {
		whole = append(whole, r.Blocks(d.Block))
	}
	written := sector.Of(whole...)
	blocks := written.Count() / d.Block
	// Stretch i begins with block i·blocks/256 of the written area.
	i, before := 0, int64(0) // blocks before run
	for run := range written.Runs() {
		n := run.Count() / d.Block
		for ; i < stretches && int64(i)*blocks/stretches < before+n; i++ {
			s.all[i].next = run.First + sector.LBA((int64(i)*blocks/stretches-before)*d.Block)
		}
		before += n
	}
	for i := range s.all {
		st := &s.all[i]
		st.end = written.Bounds().End
		if i+1 < stretches {
			st.end = s.all[i+1].next
		}
		st.size = d.Largest / d.Block
	}
	for i := range s.all {
		s.forward(&s.all[i], s.all[i].next)
	}
	return s
}

// forward moves the place that st has come to on to what is to be asked at or
// behind a.
func (s *byStretches) forward(st *stretch, a sector.LBA) {
	st.next = st.end
	if r, ok := s.fresh.Next(a); ok {
		st.next = min(st.end, r.First)
	}
}

func (st *stretch) finished() bool {
	return st.next == st.end && st.back.Empty() && st.blur.Empty()
}

// best is the unfinished stretch with the best record, -1 where all are finished.
func (s *byStretches) best() int {
	best := -1
	for i := range s.all {
		st := &s.all[i]
		if st.finished() {
			continue
		}
		if best < 0 || (st.good+1)*(s.all[best].tried+2) > (s.all[best].good+1)*(st.tried+2) {
			best = i
		}
	}
	return best
}

// next is the next request; idle tells that none is outstanding.
func (s *byStretches) next(idle bool) (Request, Step) {
	why := ""
	if s.leave || s.all[s.at].finished() {
		to := s.best()
		if to < 0 {
			return s.nextSuspect(idle)
		}
		onward := to > s.at && s.all[to-1].end == s.all[s.at].end
		if to != s.at && (s.leave || !onward) {
			why = whyBest
		}
		s.at, s.leave = to, false
	}
	r, reason := s.take(&s.all[s.at])
	if why == "" {
		why = reason
	}
	return s.request(r, why), Ask
}

func (s *byStretches) request(r sector.Range, why string) Request {
	return Request{Range: r, Alone: r.Count() == 1 && s.disc.Block > 1, Why: why}
}

func (s *byStretches) nextSuspect(idle bool) (Request, Step) {
	switch {
	case !idle && !(s.last && !s.suspect.Empty()):
		return Request{}, Wait
	case s.suspect.Empty():
		return Request{}, Done
	}
	s.last = true
	run, _ := s.suspect.Next(0)
	r := s.cut(run, 1)
	s.suspect.Remove(r)
	return s.request(r, whySuspect), Ask
}

// take takes the lowest sectors that st has to ask for.
func (s *byStretches) take(st *stretch) (sector.Range, string) {
	back, isBack := st.back.Next(0)
	blur, isBlur := st.blur.Next(0)
	switch {
	case isBlur && !(isBack && back.First < blur.First):
		r := s.cut(blur, 1)
		st.blur.Remove(r)
		return r, whyBlur
	case isBack:
		r := s.cut(back, st.size)
		st.back.Remove(r)
		return r, s.reason(st, r)
	}
	run, _ := s.fresh.Next(st.next)
	run.End = min(run.End, st.end)
	r := s.cut(run, st.size)
	s.forward(st, r.End)
	return r, s.reason(st, r)
}

func (s *byStretches) reason(st *stretch, r sector.Range) string {
	switch {
	case r.Count() < s.disc.Block:
		return whyPart
	case st.size == 1 && s.disc.Largest > s.disc.Block:
		return whyCareful
	}
	return whyForward
}

// cut is the request at the beginning of a run of missing sectors: up to n whole
// blocks, or what lies in one.
func (s *byStretches) cut(run sector.Range, n int64) sector.Range {
	block := sector.LBA(s.disc.Block)
	whole := run.Count() / s.disc.Block
	if run.First%block == 0 && whole > 0 {
		return sector.Span(run.First, min(n, whole)*s.disc.Block)
	}
	return sector.Range{First: run.First, End: min(run.End, (run.First/block+1)*block)}
}

// patience is how long an answer may take: one that was longer in coming makes the
// requests no longer, one twice as long makes them shorter. Whoever ends a pass, or
// looks at it, waits for it.
const patience = 800 * time.Millisecond

// note takes an outcome and gives the number of sectors that it decides.
func (s *byStretches) note(o Outcome) int64 {
	r := o.Request.Range
	came := sector.Span(r.First, o.Good)
	failed := sector.Span(came.End, o.Failed)
	rest := sector.Range{First: failed.End, End: r.End}
	at := sort.Search(stretches-1, func(i int) bool { return s.all[i].end > r.First })
	st := &s.all[at]

	good := came.Blocks(s.disc.Block).Count() / s.disc.Block
	if came.End != r.End && came.End%sector.LBA(s.disc.Block) != 0 && good > 0 {
		good-- // the last of them is not whole
	}
	st.good += good
	st.tried += good + failed.Blocks(s.disc.Block).Count()/s.disc.Block
	stall := o.Result == mapfile.Stalled && (o.Blur || !failed.Empty())
	if !s.disc.WholeBlocks && s.disc.Block > 1 {
		st.learnt.note(o, failed, s.disc.Block)
	}
	if came == r {
		switch {
		case o.Took > 2*patience:
			st.size = max(1, st.size/2)
		case o.Took <= patience:
			st.size = min(2*st.size, s.disc.Largest/s.disc.Block)
		}
		return o.Good
	}
	st.size = 1
	switch {
	case o.Blur && stall:
		s.suspect.Add(rest)
	case o.Blur:
		st.blur.Add(rest)
	default:
		st.back.Add(rest)
	}
	if at == s.at && (stall || !failed.Empty()) {
		s.leave = true
	}
	return o.Good + o.Failed
}

func (s *byStretches) ended() End { return End{} }

// addTo adds what was learnt to the past.
func (s *byStretches) addTo(p *past) {
	var failed, alone, came, stalled []sector.Range
	for i := range s.all {
		l := &s.all[i].learnt
		failed = slices.AppendSeq(failed, l.failed.Runs())
		alone = slices.AppendSeq(alone, l.alone.Runs())
		came = slices.AppendSeq(came, l.came.Runs())
		stalled = slices.AppendSeq(stalled, l.stalled.Runs())
	}
	p.failed, p.alone = plus(p.failed, failed), plus(p.alone, alone)
	p.came, p.stalled = plus(p.came, came), plus(p.stalled, stalled)
}
