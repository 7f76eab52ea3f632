package video

import (
	"bytes"
	"math"
)

// packet is one of a program stream's.
type packet struct {
	pack      int64 // where its pack begins
	scr       Ticks // of its pack
	id        byte
	pts       Ticks // none
	scrambled bool
	payload   []byte // until the next; shorter where the rest of it is missing
	fresh     bool   // something before it is missing, or was no stream
}

// scanner goes through the packets of a stream from some place on. Where bytes are
// missing, or are no stream, it goes on with the next pack.
type scanner struct {
	*reader
	pos, end int64
	pack     int64 // the one that pos is in; -1: the next is to be looked for
	scr      Ticks
	mpeg     int
	fresh    bool
	most     int64 // it ends once the reader has read so much
}

// scanAt begins at from and takes no pack that begins at end or behind it.
func (r *reader) scanAt(from, end int64) scanner {
	return scanner{reader: r, pos: from, end: min(end, r.size), pack: -1, fresh: true, most: math.MaxInt64}
}

var packCode = []byte{0, 0, 1, packHeader}

// next is the next packet; nil where none is left.
func (s *scanner) next() *packet {
	for (s.pos < s.end || s.pack >= 0 && s.pos < s.size) && s.read <= s.most {
		if s.pack < 0 {
			if !s.seek() {
				return nil
			}
			continue
		}
		b := s.peek(s.pos, packSpace)
		if len(b) < 6 {
			s.lost(s.pos + int64(len(b)))
			continue
		}
		switch {
		case b[0] != 0 || b[1] != 0 || b[2] != 1 || b[3] < programEnd:
			s.lost(s.pos)
		case b[3] == packHeader:
			if s.pos >= s.end {
				return nil
			}
			if h, ok := ParsePack(b); ok {
				s.pack, s.scr, s.mpeg = s.pos, h.SCR, h.MPEG
				s.pos += int64(h.Len)
			} else {
				s.lost(s.pos)
			}
		case b[3] == programEnd:
			s.pos += 4
		default:
			if p := s.packet(b); p != nil {
				return p
			}
		}
	}
	return nil
}

// packet takes the packet at pos; nil where it has none.
func (s *scanner) packet(b []byte) *packet {
	id, n := b[3], 6+u16(b[4:])
	if b = s.peek(s.pos, n); len(b) > n {
		b = b[:n]
	}
	p := &packet{pack: s.pack, scr: s.scr, id: id, fresh: s.fresh}
	whole := len(b) == n
	if whole {
		s.pos += int64(n)
	}
	ok := id != systemHeader && len(b) > 6
	if ok {
		var h header
		if h, ok = parseHeader(b, s.mpeg); ok {
			p.pts, p.scrambled, p.payload = h.pts, h.scrambled, b[h.payload:]
			s.fresh = false
		}
	}
	if !whole {
		s.lost(s.pos + int64(len(b)))
	}
	if !ok {
		return nil
	}
	return p
}

// lost goes on at pos with the next pack.
func (s *scanner) lost(pos int64) {
	s.pos, s.pack, s.fresh = pos, -1, true
}

// seek goes to the next pack header; false where none begins before the end.
func (s *scanner) seek() bool {
	for s.pos < s.end && s.err == nil && s.read <= s.most {
		b := s.peek(s.pos, packSpace)
		if len(b) < len(packCode) {
			s.pos = s.past(s.pos + int64(len(b)))
			continue
		}
		i := bytes.Index(b, packCode)
		if i < 0 {
			s.pos += int64(len(b) - len(packCode) + 1)
			continue
		}
		s.pos += int64(i)
		if s.pos >= s.end {
			return false
		}
		if h, ok := ParsePack(s.peek(s.pos, packSpace)); ok {
			s.pack, s.scr, s.mpeg = s.pos, h.SCR, h.MPEG
			s.pos += int64(h.Len)
			return true
		}
		s.pos++
	}
	return false
}
