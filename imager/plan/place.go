package plan

import (
	"iter"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// What a block is to this pass.
const (
	closed  = iota // nothing of it is to be asked for any more
	open           // to be asked for
	out            // outstanding
	suspect        // the drive stalled about here: to be asked for last of all
	shallow        // failed with fewer retries than the drive's own
)

// What was seen of a block, in this pass or before.
const (
	unseen = iota
	sawGood
	sawBad
)

// byPlace is steps 1 and 2 of the order where the geometry is known: blocks are
// asked for by what the model of the surface expects of them.
type byPlace struct {
	disc     Disc
	tries    Retries
	toTheEnd bool
	fresh    sector.Set // what is to be asked for; never edited
	field    *field
	price    price
	period   period
	trust    trust
	skill    skill
	effort   effort

	state   []uint8    // by block
	saw     []uint8    // by block
	own     []bool     // by block: seen in this round with this drive
	single  []bool     // by block: not whole, or to be asked for by itself
	expects []expected // by block
	moment  uint32     // counts what changed the estimate: outcomes, and whole estimates
	anew    uint32     // the moment of the last whole estimate
	parts   map[int64][]sector.Range
	left    int // open blocks
	behind  int // suspect ones
	zones   []zone

	luck     luck
	proved   proved
	rows     rows
	run      []int64 // blocks of the run in hand that were not asked for yet
	sweeping bool    // the run goes on after a failure
	retries  uint8
	why      string
	head     int64          // the block behind the last that was asked for
	onward   map[int64]bool // first blocks of outstanding requests that went on where the head was
	worth    float64        // good blocks that a second is worth: the price by which blocks are passed over
	brings   float64        // good blocks a second, of the run in hand; without luck the price is the same
	due      struct{ failed, seen float64 }

	soundings soundings
	sure      int      // open blocks that are sure to come, when the estimate was last worked out
	standing  standing // of the open blocks, likewise
	hoped     float64  // open blocks that are expected to come, likewise
	all       int      // blocks that the pass began with
	deeper    deeper
	learnt    past
	spent     bool // by the model, what is open is not worth its time
	stopped   bool // what is left is not worth its time
}

func newByPlace(t *Task, w *work, legs []leg) *byPlace {
	s := &byPlace{
		disc: w.disc, tries: t.Retries, toTheEnd: t.ToTheEnd, fresh: w.fresh,
		field: newField(legs), price: newPrice(radii(legs)), worth: 1, brings: 1, moment: 1,
	}
	n := len(s.field.phase)
	s.state, s.saw = make([]uint8, n), make([]uint8, n)
	s.own, s.single = make([]bool, n), make([]bool, n)
	s.expects = make([]expected, n)
	s.skill, s.effort = newSkill(s.saw, s.own), newEffort()
	s.parts, s.onward = map[int64][]sector.Range{}, map[int64]bool{}
	for r := range w.fresh.Runs() {
		for b := range s.blocks(r) {
			if s.state[b] == closed {
				s.left++
			}
			s.state[b] = open
			if !r.Covers(sector.Span(sector.LBA(b*s.disc.Block), s.disc.Block)) {
				s.single[b] = true
			}
		}
	}
	for _, h := range t.History {
		switch {
		case h.Round != t.Round || h.Drive != t.Drive:
			s.hear(h)
		case !t.Again:
			s.recall(h)
		}
	}
	s.all = s.left
	s.layOut()
	s.remember()
	s.deeper = newDeeper(s, &w.few)
	return s
}

// remember counts how the blocks fared that this round and drive were asked for
// before, by what is expected of such blocks now.
func (s *byPlace) remember() {
	ring := 0
	for b, v := range s.saw {
		if ring = s.field.ringFrom(ring, int64(b)); s.own[b] && v != unseen {
			s.trust.count(s.bySurface(ring, int64(b)), v == sawBad)
		}
	}
}

// blocks are the blocks of which r holds a part.
func (s *byPlace) blocks(r sector.Range) iter.Seq[int64] {
	return func(yield func(int64) bool) {
		n := s.disc.Block
		for b := max(0, int64(r.First)/n); b*n < int64(r.End) && b < int64(len(s.saw)) && yield(b); b++ {
		}
	}
}

// sectors is what block b holds of the disc.
func (s *byPlace) sectors(b int64) sector.Range {
	r := sector.Span(sector.LBA(b*s.disc.Block), s.disc.Block)
	r.End = min(r.End, max(r.First, s.disc.Written.Bounds().End))
	return r
}

// see takes in how a block fared.
func (s *byPlace) see(ring int, b int64, bad, lost bool) {
	s.field.add(ring, b)
	s.field.alikeTo(ring, b, bad)
	s.skill.see(b, bad)
	s.saw[b], s.own[b] = sawGood, true
	if bad {
		s.saw[b] = sawBad
		s.field.fail(ring, b, lost)
	}
}

func (s *byPlace) next(idle bool) (Request, Step) {
	for {
		for len(s.run) > 0 && s.state[s.run[0]] != open {
			s.run = s.run[1:]
		}
		switch {
		case len(s.run) > 0:
			return s.take(), Ask
		case s.left > 0 && s.choose():
			continue
		case s.left > 0 && !s.toTheEnd && !s.deeper.pays(s):
			s.stopped = true
		}
		if b, ok := s.deeper.next(s); ok {
			return s.askDeeper(b), Ask
		}
		switch {
		case s.left > 0 && !s.stopped:
			continue
		case !idle:
			return Request{}, Wait
		case s.stopped || s.behind == 0:
			return Request{}, Done
		}
		s.release()
	}
}

// release opens the blocks about which the drive stalled.
func (s *byPlace) release() {
	for b, st := range s.state {
		if st == suspect {
			s.state[b] = open
			s.single[b] = true
			s.left++
			s.behind--
		}
	}
	s.allStale()
}

// take makes a request of the run's next blocks.
func (s *byPlace) take() Request {
	b := s.run[0]
	if s.single[b] {
		s.run = s.run[1:]
		s.close(b, 1)
		parts, ok := s.parts[b]
		if !ok {
			for r := range s.fresh.In(s.sectors(b)) {
				parts = append(parts, r)
			}
		}
		s.parts[b] = parts[1:]
		return s.request(parts[0])
	}
	n := int64(1)
	for int64(len(s.run)) > n && s.run[n] == b+n && s.state[b+n] == open && !s.single[b+n] && (n+1)*s.disc.Block <= s.disc.Largest {
		n++
	}
	s.run = s.run[n:]
	s.close(b, n)
	return s.request(sector.Range{First: s.sectors(b).First, End: s.sectors(b + n - 1).End})
}

// close makes n blocks outstanding.
func (s *byPlace) close(b, n int64) {
	for i := b; i < b+n; i++ {
		s.state[i] = out
	}
	s.left -= int(n)
	if b == s.head {
		s.onward[b] = true
	}
	s.head = b + n
}

func (s *byPlace) request(r sector.Range) Request {
	q := Request{Range: r, Alone: r.Count() == 1 && s.disc.Block > 1, Why: s.why}
	if s.tries.Own != s.tries.Least {
		n := s.retries
		q.Settings = mapfile.Settings{Retries: &n}
	}
	return q
}

// note takes an outcome and gives the number of sectors that it decides.
func (s *byPlace) note(o Outcome) int64 {
	s.moment++
	r := o.Request.Range
	end := r.First + sector.LBA(o.Good)
	bad := sector.Range{First: end, End: end + sector.LBA(o.Failed)}
	lost := o.Result == mapfile.LostTrack || o.Result == mapfile.Stalled
	if s.deeper.mine(r) {
		return s.deeper.note(s, o)
	}
	if !s.disc.WholeBlocks && s.disc.Block > 1 {
		s.learnt.note(o, bad, s.disc.Block)
	}
	first, good := int64(r.First)/s.disc.Block, int64(0)
	ring := s.field.ringOf(first)
	onward := s.onward[first]
	delete(s.onward, first)
	for b := range s.blocks(r) {
		ring = s.field.ringFrom(ring, b)
		block := s.sectors(b).Intersect(r)
		whole := s.state[b] == out && !s.single[b]
		if whole && block.Overlaps(sector.Range{First: r.First, End: bad.End}) {
			p := s.believed(ring, b)
			s.rows.note(s.skill.row(b), s.proved.chance(p), bad.Overlaps(block))
			s.proved.note(p, bad.Overlaps(block))
			s.trust.note(s.bySurface(ring, b), bad.Overlaps(block))
			s.skill.note(b, s.trusted(ring, b), bad.Overlaps(block))
		}
		switch {
		case block.End <= end:
			s.decided(b)
			s.see(ring, b, false, false)
			s.stale(ring, false)
			good++
		case bad.Overlaps(block):
			s.decided(b)
			s.see(ring, b, true, lost)
			if !s.sweeping {
				s.field.learn(ring)
				s.stale(ring, true)
			}
			if n := o.Request.Settings.Retries; n != nil && *n < s.tries.Own && !lost && s.state[b] == closed && s.disc.WholeBlocks {
				s.deeper.add(s, b, *n, sector.Range{First: max(block.First, end), End: block.End})
			}
		default:
			s.handBack(b, block.Intersect(sector.Range{First: bad.End, End: r.End}), o)
			s.stale(ring, false)
		}
	}
	if n := o.Request.Settings.Retries; n != nil && *n > s.tries.Least && (o.Weak || o.Failed > 0 && !lost) {
		s.effort.note(o.Failed == 0)
	}
	if good > 0 {
		l := s.field.rings[ring].leg
		s.price.came(good, l.radiusOf(first-l.first), o.Took, onward && !o.Weak && o.Good == r.Count())
	}
	if o.Failed > 0 || o.Blur {
		s.price.failed(lost, o.Took)
		s.head = int64(bad.First) / s.disc.Block
		if !s.sweeping {
			s.run = nil
		}
	}
	return o.Good + o.Failed
}

// decided takes a block for asked; what of it was not outstanding is still to be
// asked for.
func (s *byPlace) decided(b int64) {
	if s.state[b] != out {
		return
	}
	s.state[b] = closed
	if s.single[b] && len(s.parts[b]) > 0 {
		s.state[b] = open
		s.left++
		return
	}
	delete(s.parts, b)
}

// handBack opens a block again that counts as not asked.
func (s *byPlace) handBack(b int64, part sector.Range, o Outcome) {
	if s.state[b] != out {
		return
	}
	if s.single[b] {
		s.parts[b] = append([]sector.Range{part}, s.parts[b]...)
	}
	if o.Blur {
		if !s.single[b] {
			s.parts[b] = []sector.Range{part}
		}
		s.single[b] = true
	} else if part != s.sectors(b) && !s.single[b] {
		s.single[b], s.parts[b] = true, []sector.Range{part}
	}
	if o.Blur && o.Result == mapfile.Stalled {
		s.state[b] = suspect
		s.behind++
		return
	}
	s.state[b] = open
	s.left++
}

// addTo adds what was learnt to the past.
func (s *byPlace) addTo(p *past) {
	p.failed, p.alone = p.failed.Union(&s.learnt.failed), p.alone.Union(&s.learnt.alone)
	p.came, p.stalled = p.came.Union(&s.learnt.came), p.stalled.Union(&s.learnt.stalled)
}
