package press

// size of a sector, and of a pack.
const size = 2048

// Stream ids (ISO/IEC 13818-1 table 2-18) and what a pack holds of video.
const (
	idPadding = 0xBE
	idPrivate = 0xBF // private stream 2: NAV packs
	idVideo   = 0xE0

	packHeader  = 14
	videoHeader = 9      // of a PES packet without optional fields
	muxRate     = 25_200 // of 50 bytes a second: a DVD's
)

// unit is a VOBU: a NAV pack and the video of a group of pictures.
type unit struct {
	first, end int    // sectors of the stream
	refs       [3]int // sectors from the NAV pack to where the first pictures end
	cell       int    // from 0
}

// stream is a VOBS of one VOB: a film, or a menu.
type stream struct {
	data  []byte
	units []unit
	cells int
}

// A cell begins each minute.
const cellUnits = 60 * 25 / frames

// record makes a stream of so many units, which show a title above the clock.
func record(film, units int, title string) *stream {
	s := &stream{cells: (units + cellUnits - 1) / cellUnits}
	var backdrop *mosaic
	var w bits
	for k := range units {
		if k%cellUnits == 0 {
			backdrop = scene(film, k/cellUnits)
		}
		m := *backdrop
		m.dust(film<<20 + k + 1)
		m.write(title, 8, 6, 3)
		m.write(clock(k*frames/25), 17, 52, 2)
		w.b = w.b[:0]
		ends := group(&w, &m, k*frames, k == units-1)
		s.add(w.b, ends, int64(k)*groupTicks)
	}
	for k := range s.units {
		s.navigate(k)
	}
	return s
}

// The first picture is shown when all of its group has come in, and one picture later
// than it is decoded (ISO/IEC 13818-1 2.4.3.7), from the unit's first SCR on.
const showAfter = groupTicks + frameTicks

// add appends a unit that holds a group of pictures. at is the SCR of its NAV pack, which
// is left empty. Of the pictures the first is told when it is shown; the others follow it.
func (s *stream) add(group []byte, ends [3]int, at int64) {
	u := unit{first: len(s.data) / size, cell: len(s.units) / cellUnits}
	first := firstPacket(at + showAfter)
	room := size - packHeader - videoHeader
	packs := 1 + (len(group)+len(first)-videoHeader+room-1)/room
	scr := func(i int) int64 { return at + int64(i)*groupTicks/int64(packs) }
	s.data = append(s.data, make([]byte, size)...)
	header := first
	for i, from := 1, 0; i < packs; i++ {
		p := appendPackHeader(s.data, scr(i))
		n := min(len(group)-from, size-packHeader-len(header))
		left := size - packHeader - len(header) - n
		stuffing := 0
		if left < 6+1 { // no room for a packet of padding
			stuffing, left = left, 0
		}
		at := len(p)
		p = append(p, header...)
		for range stuffing {
			p = append(p, 0xFF)
		}
		p[at+8] += byte(stuffing)
		be.PutUint16(p[at+4:], uint16(len(header)+stuffing+n-6))
		p = append(p, group[from:from+n]...)
		from += n
		for k, end := range ends {
			if u.refs[k] == 0 && end <= from {
				u.refs[k] = i
			}
		}
		if left > 0 {
			p = append(p, 0, 0, 1, idPadding, byte((left-6)>>8), byte(left-6))
			for range left - 6 {
				p = append(p, 0xFF)
			}
		}
		s.data = p
		header = []byte{0, 0, 1, idVideo, 0, 0, 0x80, 0, 0}
	}
	u.end = len(s.data) / size
	s.units = append(s.units, u)
}

// appendPackHeader appends a pack header (ISO/IEC 13818-1 2.5.3.3) with an SCR of the
// 90 kHz clock.
func appendPackHeader(b []byte, scr int64) []byte {
	w := bits{b: b}
	w.start(0xBA)
	w.put(0b01, 2)
	appendStamp(&w, scr)
	w.put(0, 9) // of the 27 MHz clock
	w.put(1, 1)
	w.put(muxRate, 22)
	w.put(0b11, 2)
	w.put(0b11111_000, 8) // no stuffing
	return w.b
}

// appendStamp appends the 33 bits of a time stamp, in three parts with a marker each.
func appendStamp(w *bits, t int64) {
	for _, part := range []struct{ shift, n uint }{{30, 3}, {15, 15}, {0, 15}} {
		w.put(uint64(t)>>part.shift, part.n)
		w.put(1, 1)
	}
}

// firstPacket is the header of a unit's first packet of video: when its first picture is
// shown and decoded, and how large a buffer is (ISO/IEC 13818-1 2.4.3.6). Its length is
// to be filled in.
func firstPacket(shown int64) []byte {
	w := bits{}
	w.start(idVideo)
	w.put(0, 16)
	w.put(0x80, 8)
	w.put(0b11_000001, 8) // both stamps, and an extension
	w.put(5+5+1+2, 8)
	w.put(0b0011, 4)
	appendStamp(&w, shown)
	w.put(0b0001, 4)
	appendStamp(&w, shown-frameTicks)
	w.put(0b0001_1110, 8) // the buffer's size alone:
	w.put(0b01, 2)
	w.put(1, 1) // in units of 1024 bytes
	w.put(232, 13)
	return w.b
}

// cellRange is the units of a cell: the first, and the one behind the last.
func (s *stream) cellRange(cell int) (first, end int) {
	return cell * cellUnits, min((cell+1)*cellUnits, len(s.units))
}

// sectors is the length of the stream.
func (s *stream) sectors() int { return len(s.data) / size }
