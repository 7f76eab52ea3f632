package press

// table is bytes with numbers at places.
type table []byte

func (t table) u16(at, v int)            { be.PutUint16(t[at:], uint16(v)) }
func (t table) u32(at, v int)            { be.PutUint32(t[at:], uint32(v)) }
func (t table) put(at int, b ...byte)    { copy(t[at:], b) }
func (t table) at(first int) table       { return t[first:] }
func (t table) last(at, length int)      { t.u32(at, length-1) }
func (t table) text(at int, text string) { copy(t[at:], text) }

// listed is a table that begins with the number of what it lists and its own last byte.
func listed(count, length int) table {
	t := make(table, length)
	t.u16(0, count)
	t.last(4, length)
	return t
}

// Places of what both kinds of IFO have, and attributes of the films' and the menu's
// video: MPEG-2, 625 lines, 4:3 without pan and letterbox, 720 × 576.
const (
	ifoLastOfSet, ifoLast = 12, 28
	ifoVersion            = 33
	ifoLastByte           = 128
	ifoMenuVideo          = 256
	ifoFilmVideo          = 512
	videoAttributes       = 0b01_01_00_11 << 8
)

// Commands of a player [memory]: lists of them stand before and behind a program chain.
var (
	playMenu    = []byte{0x30, 0x06, 0, 0, 0, 0x42, 0, 0} // from where nothing plays
	callMenu    = []byte{0x30, 0x08, 0, 0, 1, 0x42, 0, 0} // from a film
	playTitle1  = []byte{0x30, 0x02, 0, 0, 0, 1, 0, 0}
	firstPlayAt = 1024
)

// ifo puts tables behind a management table, each from a sector of its own on, which the
// management table tells at a place.
func ifo(m table, tables []tableAt) []byte {
	for _, t := range tables {
		m.u32(t.told, len(m)/size)
		m = append(m, t.table...)
		m = append(m, make(table, align(len(m), size)-len(m))...)
	}
	m.u32(ifoLast, len(m)/size-1)
	m.put(ifoVersion, 0x11)
	return m
}

type tableAt struct {
	told int
	table
}

// filmIFO is what tells about a title set that holds one film, and no menu. Its set ends
// with a copy of it, so many sectors from the film's end.
func filmIFO(s *stream, gap int) []byte {
	m := make(table, size)
	m.text(0, "DVDVIDEO-VTS")
	m.u16(ifoFilmVideo, videoAttributes)
	m.last(ifoLastByte, 984)
	m = ifo(m, []tableAt{
		{200, chapters(s)}, {204, chains(s)}, {212, timeMap(s)}, {224, cellTable(s)}, {228, unitMap(s)},
	})
	n := len(m) / size
	m.u32(196, n) // the film
	m.u32(ifoLastOfSet, n+s.sectors()+gap+n-1)
	return m
}

// chapters is the table of where chapters begin: program by program of chain 1.
func chapters(s *stream) table {
	t := listed(1, 12+4*s.cells)
	t.u32(8, 12)
	for i := range s.cells {
		t.u16(12+4*i, 1)
		t.u16(14+4*i, 1+i)
	}
	return t
}

// chains is the table of program chains of a title: one, entered as title 1.
func chains(s *stream) table {
	return oneChain(chain(s, nil, callMenu), 0x81)
}

// oneChain is a table of one program chain, which is entered as what a byte says.
func oneChain(c table, entry byte) table {
	t := listed(1, 16+len(c))
	t.put(8, entry)
	t.u32(12, 16)
	copy(t[16:], c)
	return t
}

// chain is a program chain that plays a stream, a program for each cell, with a command
// before and one behind it.
func chain(s *stream, before, behind []byte) table {
	const fixed = 236
	t := make(table, fixed)
	commands := make(table, 8)
	for i, c := range [][]byte{before, behind} {
		if c != nil {
			commands.u16(2*i, 1)
			commands = append(commands, c...)
		}
	}
	commands.u16(6, len(commands)-1)
	t.u16(228, len(t))
	t = append(t, commands...)
	if s == nil {
		return t
	}
	t.put(2, byte(s.cells), byte(s.cells))
	t.put(4, bcdTime(len(s.units)*frames)...)
	t.u16(230, len(t))
	for i := range s.cells {
		t = append(t, byte(1+i))
	}
	t = append(t, make(table, len(t)%2)...)
	t.u16(232, len(t))
	for i := range s.cells {
		begin, end := s.cellRange(i)
		c := make(table, 24)
		if i == 0 {
			c.put(0, 1<<1) // the clock begins anew
		} else {
			c.put(0, 1<<3) // played on without a break
		}
		c.put(4, bcdTime((end-begin)*frames)...)
		c.u32(8, s.units[begin].first)
		c.u32(16, s.units[end-1].first)
		c.u32(20, s.units[end-1].end-1)
		t = append(t, c...)
	}
	t.u16(234, len(t))
	for i := range s.cells {
		t = append(t, 0, 1, 0, byte(1+i)) // the VOB, the cell
	}
	return t
}

// timeMap is the table of where the film is every so many seconds.
func timeMap(s *stream) table {
	const every = 4
	t := listed(1, 12)
	t.u32(8, 12)
	t = append(t, every, 0, 0, 0)
	n := 0
	for at := every * 25; at/frames < len(s.units); at += every * 25 {
		t = be.AppendUint32(t, uint32(s.units[at/frames].first))
		n++
	}
	t.u16(14, n)
	t.last(4, len(t))
	return t
}

// cellTable is the table of where cells lie.
func cellTable(s *stream) table {
	t := listed(1, 8+12*s.cells)
	for i := range s.cells {
		begin, end := s.cellRange(i)
		c := t.at(8 + 12*i)
		c.u16(0, 1)
		c.put(2, byte(1+i))
		c.u32(4, s.units[begin].first)
		c.u32(8, s.units[end-1].end-1)
	}
	return t
}

// unitMap is the table of where units begin.
func unitMap(s *stream) table {
	t := make(table, 4, 4+4*len(s.units))
	for _, u := range s.units {
		t = be.AppendUint32(t, uint32(u.first))
	}
	t.last(0, len(t))
	return t
}

// set is a title set: its place behind the manager's first sector, and what it holds.
type set struct {
	first int
	ifo   table
	film  *stream
}

// managerIFO is what tells about the disc: which titles it has, and the menu, which plays
// first and again behind each film. The manager ends with a copy of it, so many sectors
// from the menu's end.
func managerIFO(menu *stream, sets []set, gap int) []byte {
	m := make(table, size)
	m.text(0, "DVDVIDEO-VMG")
	m.u16(38, 1) // of one disc
	m.u16(40, 1) // the first
	m.put(42, 1) // side A
	m.u16(62, len(sets))
	m.text(64, "TURNSTONE INVENTED DISC")
	m.u16(ifoMenuVideo, videoAttributes)
	first := chain(nil, playMenu, nil)
	m.u32(132, firstPlayAt)
	copy(m[firstPlayAt:], first)
	m.last(ifoLastByte, firstPlayAt+len(first))
	m = ifo(m, []tableAt{
		{196, titles(sets)}, {200, menus(menu)}, {208, attributes(sets)}, {216, cellTable(menu)}, {220, unitMap(menu)},
	})
	n := len(m) / size
	m.u32(192, n) // the menu
	m.u32(ifoLastOfSet, n+menu.sectors()+gap+n-1)
	return m
}

// titles is the table of the disc's titles: one of each set.
func titles(sets []set) table {
	t := listed(len(sets), 8+12*len(sets))
	for i, s := range sets {
		e := t.at(8 + 12*i)
		e.put(0, 0b0011_1100, 1) // one sequential chain, jumps within it; one angle
		e.u16(2, s.film.cells)
		e.put(6, byte(1+i), 1)
		e.u32(8, s.first)
	}
	return t
}

// menus is the table of menus: one, in English, entered as the title menu.
func menus(menu *stream) table {
	unit := oneChain(chain(menu, nil, playTitle1), 0x82)
	t := listed(1, 16+len(unit))
	t.text(8, "en")
	t.put(11, 0x80)
	t.u32(12, 16)
	copy(t[16:], unit)
	return t
}

// attributes is the table of what the sets tell of their video and sound.
func attributes(sets []set) table {
	const length = 542
	t := listed(len(sets), 8+(4+length)*len(sets))
	for i, s := range sets {
		at := 8 + 4*len(sets) + i*length
		t.u32(8+4*i, at)
		e := t.at(at)
		e.last(0, length)
		copy(e[8:length], s.ifo[ifoMenuVideo:])
	}
	return t
}
