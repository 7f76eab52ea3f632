package video

// times is what is known of a stretch's times.
func (p *player) times(s stretch) played {
	if len(s.units) > 0 {
		if t, ok := p.timesOfCell(s); ok {
			return t
		}
	}
	t := played{length: max(0, s.shown), about: s.shown < 0}
	e := p.entriesAt(s.First, s.End)
	e.scan.most = p.read + mostOn
	x, ok := e.next()
	for ok && !x.known {
		x, ok = e.next()
	}
	p.id = e.id
	if !ok || !x.known {
		if s.shown < 0 { // no pictures that anything is known of: by the clock alone
			t.length, t.rate = p.clocked(s.Span)
		}
		return t
	}
	t.begins = x.first
	if h, ok := ParsePack(p.peek(x.at, packSpace)); ok {
		t.delay = x.intra - h.SCR
	}
	_, t.rate = p.clocked(s.Span)
	if hole := (Span{s.First, x.at}); touched(p.src, hole) && t.rate > 0 {
		t.begins -= Ticks(float64(hole.Len()) / t.rate)
		t.about = true
	}
	if s.shown >= 0 {
		return t
	}
	for back := int64(256 << 10); ; back *= 2 {
		tail := p.entriesAt(max(s.First, s.End-back), s.End)
		for {
			if _, ok := tail.next(); !ok {
				break
			}
		}
		if tail.last == none && back < mostOn && s.End-back > s.First {
			continue
		}
		if tail.last != none {
			t.length = tail.last + tail.length() - t.begins
			t.about = touched(p.src, Span{s.First, x.at})
		}
		// Behind the last hole of the end nothing tells the time.
		for h := range p.src.Holes(Span{max(s.First, s.End-unit), s.End}) {
			if h.End == s.End && t.rate > 0 {
				from := p.lastThere(s)
				t.length += Ticks(float64(s.End-from) / t.rate)
				t.about = true
			}
		}
		break
	}
	t.length = max(0, t.length)
	return t
}

// lastThere is behind the last byte of a stretch that is there.
func (p *player) lastThere(s stretch) int64 {
	end := s.First
	at := s.First
	for h := range p.src.Holes(s.Span) {
		if h.First > at {
			end = h.First
		}
		at = h.End
	}
	if at < s.End {
		end = s.End
	}
	return end
}

// timesOfCell is times by the navigation packs of a cell; not ok where none of its
// first is there.
func (p *player) timesOfCell(s stretch) (t played, ok bool) {
	for i, at := range s.units[:min(len(s.units), 64)] {
		n := p.nav(at)
		if n == nil {
			continue
		}
		t.begins = n.Starts
		if i > 0 {
			t.begins -= n.InCell
		}
		ok = true
		break
	}
	if !ok {
		return t, false
	}
	if n := p.nav(s.last); n != nil && n.Ends > t.begins {
		t.length = n.Ends - t.begins
	} else if t.length = s.shown; t.length < 0 {
		return t, false
	}
	return t, true
}

// clocked is how long a span takes by the clocks of its first and last packs, and how
// many bytes a tick, at the least as many as the slowest stream has; 0 where they do not
// tell.
func (p *player) clocked(in Span) (length Ticks, rate float64) {
	s := p.scanAt(in.First, in.End)
	s.most = p.read + mostOn
	if !s.seek() {
		return 0, 0
	}
	first, at := s.scr, s.pack
	for back := int64(64 << 10); ; back *= 4 {
		s = p.scanAt(max(at+1, in.End-back), in.End)
		last, end := Ticks(-1), at
		for s.seek() {
			last, end = s.scr, s.pack
			s.pack = -1
		}
		if last > first {
			rate = max(float64(end-at)/float64(last-first), slowest/float64(Second))
			return Ticks(float64(in.Len()) / rate), rate
		}
		if in.End-back <= at || back > mostOn {
			return 0, 0
		}
	}
}
