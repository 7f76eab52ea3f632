package video

// Limits of what is read of one film around its gaps. Beyond mostRead times are
// estimated by the packs' clocks; beyond mostBack or mostOn no place is looked for at
// which decoding can begin: no stream of people's films has them farther apart.
const (
	mostRead = 512 << 20
	mostBack = 4 << 20
	mostOn   = 16 << 20
)

// stretch is a part of a film that is shown in one go, and whose clock runs on.
type stretch struct {
	Span
	units []int64 // where its units begin; none where no map tells
	last  int64   // where the last of them does, by another table
	shown Ticks   // for how long, by a table; none
}

// played is what is known of a stretch's times, in the ticks of its own clock.
type played struct {
	begins Ticks // when its first picture is shown
	length Ticks
	about  bool // one of them is estimated
	rate   float64
	delay  Ticks // from the clock of a pack to the pictures in it, about
}

// player looks at the stretches of a film.
type player struct {
	*reader
	id byte // of the film's video stream
}

// film joins the stretches to a film.
func (p *player) film(all []stretch) (f Playback, err error) {
	for _, s := range all {
		t := p.times(s)
		from := f.Length
		take := Take{Bytes: s.Span, From: from, Length: t.length.Duration()}
		f.Length += take.Length
		f.About = f.About || t.about
		f.Takes = append(f.Takes, take)
		for _, g := range p.gaps(s, t) {
			g.From, g.To = from+min(g.From, take.Length), from+min(g.To, take.Length)
			if n := len(f.Gaps); n > 0 && f.Gaps[n-1].To >= g.From && f.Gaps[n-1].Bytes.End >= g.Bytes.First && f.Gaps[n-1].Bytes.First <= g.Bytes.First {
				last := &f.Gaps[n-1]
				last.To, last.Bytes.End = max(last.To, g.To), max(last.Bytes.End, g.Bytes.End)
				last.About = last.About || g.About
				continue
			}
			f.Gaps = append(f.Gaps, g)
		}
	}
	return f, p.err
}

// entriesAt is the reader's, of the film's video stream.
func (p *player) entriesAt(from, end int64) *entries {
	e := p.reader.entriesAt(from, end)
	e.id = p.id
	return e
}

// nav is the navigation pack at a place; nil where it is missing or none.
func (p *player) nav(at int64) *NAV {
	p.ahead = glance
	defer func() { p.ahead = window }()
	if n, ok := ParseNAV(p.peek(at, unit)); ok {
		return &n
	}
	return nil
}
