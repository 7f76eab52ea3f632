package video

import "bytes"

// entry is a place in a stream where decoding can begin: a sequence header or a group
// of pictures, from the pack on in which it begins; of DVD-Video the navigation pack
// before it.
type entry struct {
	at       int64
	sequence bool  // a sequence header is there: a player can begin here too
	nav      *NAV  // nil where none begins it
	first    Ticks // when the first of its pictures is shown
	intra    Ticks // when the picture is shown that comes first in the stream; all from then on is whole, whatever was lost before
	known    bool  // the times are
}

// entries goes through the entries of a stream, in order.
type entries struct {
	scan scanner
	cur  *entry // whose times are not known yet
	pics int    // pictures of it that have begun
	intr int    // temporal reference of its first
	out  []entry

	id    byte  // of the video stream that is looked at; 0: the first that comes
	tick  Ticks // that a picture takes; 0: not known
	carry []byte
	owner struct { // of carry
		pack int64
		pts  Ticks
	}
	last  Ticks // the latest time of a picture; none
	group Ticks // when the first coded picture of the group in hand is shown; none
}

// entriesAt begins at from; the pack of an entry begins before end.
func (r *reader) entriesAt(from, end int64) *entries {
	return &entries{scan: r.scanAt(from, end), last: none, group: none}
}

// next is the next entry; not ok where none is left.
func (e *entries) next() (entry, bool) {
	for len(e.out) == 0 {
		p := e.scan.next()
		if p == nil {
			e.done()
			break
		}
		e.take(p)
	}
	if len(e.out) == 0 {
		return entry{}, false
	}
	x := e.out[0]
	e.out = e.out[1:]
	return x, true
}

// done gives out the entry in hand, as far as it is known.
func (e *entries) done() {
	if e.cur != nil {
		if e.cur.nav != nil && !e.cur.known { // a unit without pictures
			e.cur.intra, e.cur.known = e.cur.first, true
		}
		e.out = append(e.out, *e.cur)
		e.cur = nil
	}
}

// begin begins an entry, or adds to the one that has no picture yet.
func (e *entries) begin(at int64, nav *NAV, sequence bool) {
	if e.cur != nil && e.pics == 0 && nav == nil {
		e.cur.sequence = e.cur.sequence || sequence
		return
	}
	e.done()
	e.group = none
	e.cur, e.pics = &entry{at: at, nav: nav, sequence: sequence || nav != nil, first: none, intra: none}, 0
	if nav != nil {
		e.cur.first = nav.Starts
	}
}

// settle makes the times of the entry in hand known.
func (e *entries) settle(intra, first Ticks) {
	e.cur.intra, e.cur.known = intra, true
	e.group = intra
	if e.cur.nav == nil {
		e.cur.first = first
	}
}

// take takes the next packet in.
func (e *entries) take(p *packet) {
	if p.fresh {
		e.carry = e.carry[:0]
		if e.cur != nil && !e.cur.known && e.cur.nav == nil {
			e.done() // what comes may be of another group
		}
	}
	if p.id == privateStream2 && len(p.payload) == pciLen && p.payload[0] == 0 {
		if b := e.scan.peek(p.pack, unit); len(b) >= unit {
			if n, ok := ParseNAV(b); ok {
				e.carry = e.carry[:0]
				e.begin(p.pack, &n, true)
			}
		}
		return
	}
	if !isVideo(p.id) || e.id != 0 && p.id != e.id {
		return
	}
	e.id = p.id
	e.last = max(e.last, p.pts)
	if e.cur != nil && e.cur.nav != nil && !e.cur.known && p.pts != none {
		e.settle(p.pts, none) // the first of a unit belongs to its first picture
	}
	if p.scrambled {
		e.carry = e.carry[:0]
		return
	}
	e.elementary(p)
}

var startCode = []byte{0, 0, 1}

// headSpace is how much behind a start code is looked at, the code included.
const headSpace = 8

// elementary goes through the start codes in a packet of the video stream. A time stamp
// is that of the first picture whose start code begins in its packet (13818-1, 2.4.3.7).
func (e *entries) elementary(p *packet) {
	es, edge := p.payload, len(e.carry)
	if edge > 0 {
		// What is left of the packet before goes on in this one.
		head := min(len(es), 2*headSpace)
		joined := append(e.carry, es[:head]...)
		e.codes(joined, edge, e.owner.pack, &e.owner.pts)
	}
	pts := p.pts
	e.codes(es, max(0, len(es)-headSpace+1), p.pack, &pts)
	e.owner.pack, e.owner.pts = p.pack, pts
	e.carry = append(e.carry[:0], es[max(0, len(es)-headSpace+1):]...)
}

// codes goes through the start codes that begin before edge.
func (e *entries) codes(es []byte, edge int, pack int64, pts *Ticks) {
	for i := 0; i < edge; {
		k := bytes.Index(es[i:], startCode)
		if k < 0 || i+k >= edge || i+k+headSpace > len(es) {
			return
		}
		i += k
		b := es[i : i+headSpace]
		switch b[3] {
		case sequenceHeader:
			e.begin(pack, nil, true)
			e.tick = tickOf(b[7] & 15)
		case groupOfPictures:
			e.begin(pack, nil, false)
		case picture:
			e.picture(int(b[4])<<2|int(b[5]>>6), *pts)
			*pts = none
		}
		i += len(startCode)
	}
}

// picture takes in that a picture begins, with its place in the group's order of
// showing and, where it is told, its time.
func (e *entries) picture(order int, pts Ticks) {
	if e.pics == 0 {
		e.intr = order
	}
	e.pics++
	after := Ticks(order-e.intr) * e.length() // the group's first coded picture
	switch {
	case e.cur == nil:
	case e.cur.known:
		e.done()
	case pts != none:
		intra := pts - after
		e.settle(intra, intra-Ticks(e.intr)*e.length())
		e.done()
	}
	if e.group != none {
		e.last = max(e.last, e.group+after)
	}
}

// length is how long a picture is shown.
func (e *entries) length() Ticks {
	if e.tick == 0 {
		return Second / 25
	}
	return e.tick
}

// tickOf is the time of a picture by its frame_rate_code (13818-2, table 6-4 [memory]);
// 0 where the code is none.
func tickOf(code byte) Ticks {
	if int(code) >= len(pictureTicks) {
		return 0
	}
	return pictureTicks[code]
}

// 24/1.001 and 60/1.001 a second are rounded down.
var pictureTicks = [...]Ticks{1: 3753, 2: 3750, 3: 3600, 4: 3003, 5: 3000, 6: 1800, 7: 1501, 8: 1500}
