package video

import "sort"

// gaps is what the holes of a stretch cost, in its own play time.
func (p *player) gaps(s stretch, t played) (all []Gap) {
	covered := s.First
	var done Ticks
	for h := range p.src.Holes(s.Span) {
		if h.End <= covered {
			continue
		}
		g := Gap{Bytes: Span{max(h.First, covered), h.End}}
		from, to := Ticks(none), Ticks(none)
		if len(s.units) > 0 {
			from, g.Bytes.First = p.unitBefore(s, t, h.First, covered)
			to, g.Bytes.End = p.unitAfter(s, h.End)
		} else if p.read < mostRead {
			from, g.Bytes.First = p.entryBefore(h.First, covered)
			to, g.Bytes.End = p.entryAfter(s, h.End)
		}
		if from == none && g.Bytes.First > covered {
			from, g.About = p.clockNear(h.First-unit, t)-Second, true
		} else if from == none {
			from = t.begins + done
		}
		switch {
		case to == none && g.Bytes.End < s.End:
			to, g.About = p.clockNear(h.End, t)+Second, true
		case to == none:
			to = t.begins + t.length
		}
		from, to = max(0, from-t.begins), min(max(to-t.begins, 0), t.length)
		g.About = g.About || t.about
		covered, done = max(h.End, g.Bytes.End), max(done, to)
		if from >= to { // such as behind the last picture: sound, or nothing
			continue
		}
		g.From, g.To = from.Duration(), to.Duration()
		if n := len(all); n > 0 && all[n-1].To >= g.From {
			all[n-1].To, all[n-1].Bytes.End = max(all[n-1].To, g.To), max(all[n-1].Bytes.End, g.Bytes.End)
			all[n-1].About = all[n-1].About || g.About
			continue
		}
		all = append(all, g)
	}
	return all
}

// unitBefore is when the unit with a missing byte begins to be shown, and where it
// begins; where its navigation pack is lost, when the one before it ends.
func (p *player) unitBefore(s stretch, t played, hole, covered int64) (Ticks, int64) {
	i := sort.Search(len(s.units), func(i int) bool { return s.units[i] > hole }) - 1
	if i < 0 {
		return none, s.First
	}
	at := s.units[i]
	if n := p.nav(at); n != nil {
		return n.Starts, at
	}
	for i--; i >= 0 && s.units[i] >= covered; i-- {
		if n := p.nav(s.units[i]); n != nil {
			return n.Ends, at
		}
	}
	return none, min(at, covered)
}

// unitAfter is when the first picture is shown that is whole again behind a hole, and
// where its unit begins; the stretch's end where there is none.
func (p *player) unitAfter(s stretch, hole int64) (Ticks, int64) {
	i := sort.Search(len(s.units), func(i int) bool { return s.units[i] >= hole })
	for ; i < len(s.units) && p.err == nil; i++ {
		if p.nav(s.units[i]) == nil {
			continue
		}
		end := s.End
		if i+1 < len(s.units) {
			end = s.units[i+1]
		}
		p.ahead = glance
		x, ok := p.entriesAt(s.units[i], end).next()
		p.ahead = window
		if ok && x.known && x.at == s.units[i] {
			return x.intra, x.at
		}
	}
	return none, s.End
}

// entryBefore is when the group of pictures with a missing byte begins to be shown, and
// where it begins, from covered on.
func (p *player) entryBefore(hole, covered int64) (Ticks, int64) {
	for back := int64(window / 2); ; back *= 2 {
		from := max(covered, hole-back)
		last := entry{at: -1}
		e := p.entriesAt(from, hole)
		for x, ok := e.next(); ok; x, ok = e.next() {
			if x.known {
				last = x
			}
		}
		switch {
		case last.at >= 0:
			return last.first, last.at
		case from == covered:
			return none, covered
		case back >= mostBack:
			return none, from
		}
	}
}

// entryAfter is when the first picture is shown that is whole again behind a hole, and
// where its group begins.
func (p *player) entryAfter(s stretch, hole int64) (Ticks, int64) {
	e := p.entriesAt(hole, s.End)
	e.scan.most = p.read + mostOn
	for x, ok := e.next(); ok; x, ok = e.next() {
		if x.known {
			return x.intra, x.at
		}
	}
	if e.scan.pos < s.End && p.read > e.scan.most {
		return none, max(hole, e.scan.pos)
	}
	return none, s.End
}

// clockNear is about when the pictures of the next pack are shown.
func (p *player) clockNear(at int64, t played) Ticks {
	p.ahead = glance
	defer func() { p.ahead = window }()
	s := p.scanAt(max(0, at), p.size)
	s.most = p.read + window
	if !s.seek() {
		return t.begins + t.length
	}
	return s.scr + t.delay
}
