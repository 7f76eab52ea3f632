package video

import (
	"errors"
	"time"
)

// Gap is play time that missing bytes cost.
type Gap struct {
	From, To time.Duration // of the film's play time
	// Bytes is from where decoding could last begin up to where it goes on.
	Bytes Span
	// About tells that the times are estimated.
	About bool
}

// Take is a part of a stream in which its clock runs on: a recording, as a rule.
type Take struct {
	Bytes  Span
	From   time.Duration // of the stream's play time
	Length time.Duration
}

// Playback is what can be shown of a film.
type Playback struct {
	Length time.Duration
	About  bool  // the length is estimated
	Gaps   []Gap // in order, apart from each other
	Takes  []Take
}

// Lost is the play time that is missing.
func (p *Playback) Lost() (d time.Duration) {
	for _, g := range p.Gaps {
		d += g.To - g.From
	}
	return d
}

// Share is the part of the film that can be shown, from 0 to 1.
func (p *Playback) Share() float64 {
	if p.Length <= 0 {
		return 0
	}
	return 1 - min(1, float64(p.Lost())/float64(p.Length))
}

// LostOf is the play time of a take that is missing.
func (p *Playback) LostOf(t Take) (d time.Duration) {
	for _, g := range p.Gaps {
		d += max(0, min(g.To, t.From+t.Length)-max(g.From, t.From))
	}
	return d
}

// Within is the gaps that cost bytes of a span, and the play time lost with them.
func (p *Playback) Within(src Source, in Span) (gaps []Gap, lost time.Duration) {
	for _, g := range p.Gaps {
		both := Span{max(g.Bytes.First, in.First), min(g.Bytes.End, in.End)}
		if both.First < both.End && touched(src, both) {
			gaps, lost = append(gaps, g), lost+g.To-g.From
		}
	}
	return gaps, lost
}

// ErrNoStream is returned where no pack of a program stream is found.
var ErrNoStream = errors.New("no program stream")

// PlayTitle is what can be shown of a title, by its cells and the map of its VOBS's
// units; its bytes are those of the VOBS, all its VOB files behind each other.
func PlayTitle(t Title, units []int64, vobs Source) (Playback, error) {
	var all []stretch
	for _, c := range t.Cells {
		s := stretch{Span: c.Bytes(), shown: c.Shown, last: c.LastUnit * unit}
		s.End = min(s.End, vobs.Size())
		for _, u := range unitsIn(units, c) {
			s.units = append(s.units, u*unit)
		}
		if s.First < s.End {
			all = append(all, s)
		}
	}
	p := player{reader: newReader(vobs)}
	f, err := p.film(all)
	if err == nil && len(f.Takes) == 0 {
		err = ErrNoStream
	}
	return f, err
}

// PlayStream is what can be shown of a plain program stream, take by take. ErrNoStream
// is returned where src is none, as far as it is there.
func PlayStream(src Source) (Playback, error) {
	p := player{reader: newReader(src)}
	whole := Span{0, p.size}
	s := p.scanAt(0, p.size)
	if !s.seekNear(firstThere(src)) {
		return Playback{}, errors.Join(ErrNoStream, p.err)
	}
	var all []stretch
	for _, t := range p.takes(whole) {
		all = append(all, stretch{Span: t, shown: none})
	}
	return p.film(all)
}

// firstThere is the first byte that is there.
func firstThere(src Source) int64 {
	at := int64(0)
	for h := range src.Holes(Span{0, src.Size()}) {
		if h.First > at {
			break
		}
		at = h.End
	}
	return at
}
