package press

// Places in a NAV pack: the packets' first bytes, and what is in them behind the byte
// that tells which of the two it is (libdvdread nav_types.h; package imager/video reads
// the same pages).
const (
	systemAt = packHeader
	pciAt    = systemAt + 24
	dsiAt    = 1024
	pciSize  = 0x3D4
	dsiSize  = 0x3FA
)

// systemHeader is a system header (ISO/IEC 13818-1 2.5.3.5): the rate, one stream of
// video, locked to the clock, and the buffers of video, private streams 1 and 2.
var systemHeader = []byte{0, 0, 1, 0xBB, 0, 18,
	0x80, muxRate >> 7, muxRate<<1&0xFF | 1,
	0x00, 0b0010_0001, 0x7F,
	0xB9, 0xE0, 0xE8, // all video: 232 KiB
	0xB8, 0xC0, 0x20, // all sound: 32 · 128 bytes
	0xBD, 0xE0, 0x3A, // private stream 1: 58 KiB
	0xBF, 0xE0, 0x02, // private stream 2: 2 KiB
}

// A unit in a table of others: there (the bit from memory [memory]), or none within the
// cell.
const (
	otherThere = 1 << 31
	otherNone  = 1<<30 - 1 // SRI_END_OF_CELL
)

// searched is the distances in half seconds of the tables of units ahead, the farthest
// first, and behind, the nearest first [memory].
var searched = [19]int{240, 120, 60, 20, 15, 14, 13, 12, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1}

// navigate fills in the NAV pack of unit k.
func (s *stream) navigate(k int) {
	u := s.units[k]
	p := s.data[u.first*size : (u.first+1)*size]
	scr := int64(k) * groupTicks
	copy(p, appendPackHeader(nil, scr))
	copy(p[systemAt:], systemHeader)
	begin, end := s.cellRange(u.cell)
	start := uint32(scr + showAfter)
	elapsed := bcdTime((k - begin) * frames)

	copy(p[pciAt:], []byte{0, 0, 1, idPrivate, pciSize >> 8, pciSize & 0xFF, 0})
	pci := p[pciAt+7:]
	be.PutUint32(pci, uint32(u.first))
	be.PutUint32(pci[12:], start)
	be.PutUint32(pci[16:], start+groupTicks)
	if k == len(s.units)-1 {
		be.PutUint32(pci[20:], start+groupTicks)
	}
	copy(pci[24:], elapsed)

	copy(p[dsiAt:], []byte{0, 0, 1, idPrivate, dsiSize >> 8, dsiSize & 0xFF, 1})
	dsi := p[dsiAt+7:]
	be.PutUint32(dsi, uint32(scr))
	be.PutUint32(dsi[4:], uint32(u.first))
	be.PutUint32(dsi[8:], uint32(u.end-1-u.first))
	for i, ref := range u.refs {
		be.PutUint32(dsi[12+4*i:], uint32(ref))
	}
	be.PutUint16(dsi[24:], 1) // the VOB
	dsi[27] = byte(1 + u.cell)
	copy(dsi[28:], elapsed)
	sml := dsi[32:] // played without a break: when the VOB's video begins and ends
	be.PutUint32(sml[12:], showAfter)
	be.PutUint32(sml[16:], uint32(showAfter+len(s.units)*groupTicks))

	other := func(j int) uint32 {
		if j < begin || j >= end {
			return otherNone
		}
		d := s.units[j].first - u.first
		return otherThere | uint32(max(d, -d))
	}
	sri := dsi[234:]
	be.PutUint32(sri, other(k+1))
	for i, half := range searched {
		away := max(1, half*25/2/frames)
		be.PutUint32(sri[4+4*i:], other(k+away))
		be.PutUint32(sri[88+4*(len(searched)-1-i):], other(k-away))
	}
	be.PutUint32(sri[80:], other(k+1))
	be.PutUint32(sri[84:], other(k-1))
	be.PutUint32(sri[164:], other(k-1))
}

// bcdTime is a time of so many pictures, 25 a second, in digits of four bits each.
func bcdTime(pictures int) []byte {
	bcd := func(n int) byte { return byte(n/10<<4 | n%10) }
	s := pictures / 25
	return []byte{bcd(s / 3600), bcd(s / 60 % 60), bcd(s % 60), 0b01<<6 | bcd(pictures%25)}
}
