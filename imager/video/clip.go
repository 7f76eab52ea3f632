package video

import "time"

// Clip is a part of a stream that a player opens by itself: it begins with a navigation
// pack or a sequence header, and is copied as it is.
type Clip struct {
	Bytes  Span
	Length time.Duration // about
}

// mostClip bounds a clip, in bytes: a minute of a DVD-Video.
const mostClip = 64 << 20

// ClipAt is a clip of some time that begins where a player can begin, at byte at or
// before it, or else behind it. The clip ends before the first pack of whose clock
// breaks. ErrNoStream is returned where there is none near.
func ClipAt(src Source, at int64, length time.Duration) (Clip, error) {
	p := player{reader: newReader(src)}
	begin, ok := p.openBefore(at)
	if !ok {
		begin, ok = p.openAfter(at)
	}
	if !ok {
		return Clip{}, p.noStream()
	}
	return p.clip(begin, begin.first+ticksOf(length), at)
}

// ClipAround is a clip of what is shown from some time before the bytes of a gap until
// some time after them; less where the clock breaks, or nothing else is there.
func ClipAround(src Source, gap Span, before, after time.Duration) (Clip, error) {
	p := player{reader: newReader(src)}
	x, ok := p.openBefore(gap.First)
	if !ok {
		if x, ok = p.openAfter(gap.First); !ok {
			return Clip{}, p.noStream()
		}
	}
	// Back by entries until enough is shown before.
	begin := x
	for start := x.first; begin.at > 0 && start-begin.first < ticksOf(before) && gap.First-begin.at < mostClip/2; {
		y, ok := p.openBefore(begin.at - 1)
		if !ok || y.first > begin.first || begin.first-y.first > 4*Second+ticksOf(before) {
			break // another take
		}
		begin = y
	}
	until := begin.first + ticksOf(before+after)
	if z, ok := p.openAfter(gap.End); ok && z.at-begin.at < mostClip/2 {
		until = max(until, z.intra+ticksOf(after))
		if z.first < x.first { // its clock is another's
			until = begin.first + ticksOf(before+after)
		}
	}
	return p.clip(begin, until, gap.First)
}

func (p *player) noStream() error {
	if p.err != nil {
		return p.err
	}
	return ErrNoStream
}

// clip is from an entry until a time of its clock, and at least beyond a byte.
func (p *player) clip(begin entry, until Ticks, beyond int64) (Clip, error) {
	c := Clip{Bytes: Span{begin.at, p.size}}
	last := begin
	e := p.entriesAt(begin.at, min(p.size, begin.at+mostClip))
	for x, ok := e.next(); ok; x, ok = e.next() {
		if !x.known || x.at <= begin.at {
			continue
		}
		if x.first < last.first || x.first-last.first > 10*60*Second {
			c.Bytes.End = x.at
			break
		}
		if last = x; x.at > beyond && x.first >= until {
			c.Bytes.End = x.at
			break
		}
	}
	c.Bytes.End = min(c.Bytes.End, begin.at+mostClip)
	end := last.first
	if c.Bytes.End > last.at && e.last != none {
		end = max(end, e.last+e.length())
	}
	c.Length = (end - begin.first).Duration()
	return c, p.err
}

// openBefore is the last entry at or before a byte with which a player can begin.
func (p *player) openBefore(at int64) (entry, bool) {
	for back := int64(256 << 10); ; back *= 2 {
		from := max(0, at-back)
		last := entry{at: -1}
		e := p.entriesAt(from, min(at+1+mostBack, p.size))
		for x, ok := e.next(); ok && x.at <= at; x, ok = e.next() {
			if x.known && x.sequence {
				last = x
			}
		}
		switch {
		case last.at >= 0:
			return last, true
		case from == 0 || back >= mostBack:
			return entry{}, false
		}
	}
}

// openAfter is the first entry behind a byte with which a player can begin.
func (p *player) openAfter(at int64) (entry, bool) {
	e := p.entriesAt(at, p.size)
	e.scan.most = p.read + mostOn
	for x, ok := e.next(); ok; x, ok = e.next() {
		if x.known && x.sequence {
			return x, true
		}
	}
	return entry{}, false
}
