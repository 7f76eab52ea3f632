package video

import "bytes"

// NAV is what a navigation pack tells of the video object unit that it begins.
type NAV struct {
	Sector int64 // its own, counted from the first of its VOBS
	Last   int64 // of its unit, counted from itself (vobu_ea)
	Starts Ticks // when its first picture is shown (vobu_s_ptm)
	Ends   Ticks // and when its last was (vobu_e_ptm)
	VOB    int
	Cell   int
	InCell Ticks // from the beginning of the cell on (c_eltm); it is counted in frames and drifts by 0.1 % at 30/1.001 a second
}

// Where things stand in a navigation pack: the header of a pack (14 bytes), a system
// header (24), two packets of private stream 2. Lengths and the offsets behind the
// substream's number as in the sheet of facts: read from a code base that implements
// them; c_eltm [memory], checked against dvdauthor's.
const (
	pciAt  = 14 + 24
	dsiAt  = 1024
	pciLen = 0x3D4
	dsiLen = 0x3FA
	pci    = pciAt + 7 // behind the substream's number
	dsi    = dsiAt + 7
)

// ParseNAV reads a sector; not ok where it is no navigation pack, or the dummy that
// some writers leave, with address and times 0.
func ParseNAV(b []byte) (n NAV, ok bool) {
	if len(b) < unit {
		return n, false
	}
	p, ok := ParsePack(b)
	if !ok || p.MPEG != 2 || p.Len != 14 ||
		!bytes.Equal(b[14:18], []byte{0, 0, 1, systemHeader}) ||
		!isPrivate2(b[pciAt:], pciLen, 0) || !isPrivate2(b[dsiAt:], dsiLen, 1) {
		return n, false
	}
	n = NAV{Sector: u32(b[pci:]), Starts: Ticks(u32(b[pci+12:])), Ends: Ticks(u32(b[pci+16:])),
		Last: u32(b[dsi+8:]), VOB: u16(b[dsi+24:]), Cell: int(b[dsi+27])}
	if t, ok := parseTime(b[dsi+28:]); ok {
		n.InCell = t
	}
	// The two halves tell the same address.
	return n, u32(b[dsi+4:]) == n.Sector && (n.Sector|int64(n.Starts)|int64(n.Ends)) != 0
}

func isPrivate2(b []byte, length int, sub byte) bool {
	return b[0] == 0 && b[1] == 0 && b[2] == 1 && b[3] == privateStream2 && u16(b[4:]) == length && b[6] == sub
}

// parseTime reads a time of DVD-Video: hours, minutes, seconds and frames in decimal
// digits, in the upper two bits of the last the rate: 1 for 25 a second, 3 for 30,
// which are shown at 30/1.001 [memory]. Not ok where it is none.
func parseTime(b []byte) (t Ticks, ok bool) {
	var d [4]int
	for i := range d {
		v := b[i]
		if i == 3 {
			v &= 0x3F
		}
		if v>>4 > 9 || v&15 > 9 {
			return 0, false
		}
		d[i] = int(v>>4)*10 + int(v&15)
	}
	seconds := d[0]*3600 + d[1]*60 + d[2]
	switch {
	case d[1] > 59 || d[2] > 59:
		return 0, false
	case b[3]>>6 == 1 && d[3] < 25:
		return Ticks(seconds*25+d[3]) * (Second / 25), true
	case b[3]>>6 == 3 && d[3] < 30:
		return Ticks(seconds*30+d[3]) * 3003, true
	case seconds == 0 && d[3] == 0: // none, without a rate
		return 0, true
	}
	return 0, false
}
