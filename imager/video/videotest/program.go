package videotest

import "encoding/binary"

// Program is what a made-up program stream is like. Its pictures hold nothing that a
// decoder could show: only what tells where they begin and when they are shown.
type Program struct {
	Pictures int   // 25 a second
	Group    int   // pictures of a group, shown as B B I B B P …; 0: 12
	Picture  int   // bytes of a picture, about; 0: 4000
	Begins   int64 // the clock of the first pack, in ticks of 90 kHz
	NAV      bool  // a navigation pack before each group, as on DVD-Video
	Sector   int64 // of the first, within its VOBS
	VOB      int
	Seed     byte
}

// PackSize is that of each pack.
const PackSize = 2048

// Delay is from the clock of a pack to the pictures in it, in ticks.
const Delay = 18_000

// Tick is how long a picture is shown.
const Tick = 3600

// Bytes is the stream.
func (p Program) Bytes() []byte {
	if p.Group == 0 {
		p.Group = 12
	}
	if p.Picture == 0 {
		p.Picture = 4000
	}
	var out []byte
	for first := 0; first < p.Pictures; first += p.Group {
		out = p.group(out, first, min(p.Group, p.Pictures-first))
	}
	return out
}

// group appends the packs of a group of n pictures that are shown from the first on.
func (p Program) group(out []byte, first, n int) []byte {
	begin := len(out)
	clock := p.Begins + int64(first)*Tick
	if p.NAV {
		out = append(out, make([]byte, PackSize)...)
	}
	fill := make([]byte, p.Picture)
	for k := range fill {
		fill[k] = 0x20 | byte(k+int(p.Seed))&0x1F // no start code comes of it
	}
	var es []byte
	var starts []int // of pictures in es
	var shown []int64
	for i, order := range showing(n) {
		b := []byte{0, 0, 1, 0x00, byte(order >> 2), byte(order<<6) | kindOf(i)<<3, 0xFF, 0xF8}
		if i == 0 {
			// 720 × 576, 4:3, 25 a second; then a group's time code.
			es = append(es, 0, 0, 1, 0xB3, 0x2D, 0x02, 0x40, 0x23, 0xFF, 0xFF, 0xE0, 0x18)
			es = append(es, 0, 0, 1, 0xB8, 0, 8, 0, 0)
		}
		starts, shown = append(starts, len(es)), append(shown, p.Begins+Delay+int64(first+order)*Tick)
		es = append(es, b...)
		es = append(es, fill...)
	}
	for at := 0; at < len(es); {
		pack := header(clock + int64(at)*int64(n)*Tick/int64(len(es)))
		pack = append(pack, 0, 0, 1, 0xE0, 0, 0, 0x81, 0x80, 5)
		room := PackSize - len(pack) - 5
		size := min(room, len(es)-at)
		// The stamp of the first picture that begins in it.
		stamp, has := int64(0), false
		for i, s := range starts {
			if s >= at && s < at+size {
				stamp, has = shown[i], true
				break
			}
		}
		if has {
			pack = append(pack, stampOf(2, stamp)...)
		} else {
			pack[len(pack)-2] = 0
			pack = append(pack, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
		}
		pack = append(pack, es[at:at+size]...)
		if left := room - size; left >= 6 {
			pack = append(pack, 0, 0, 1, 0xBE, byte((left-6)>>8), byte(left-6))
			for range left - 6 {
				pack = append(pack, 0xFF)
			}
			binary.BigEndian.PutUint16(pack[14+4:], uint16(PackSize-left-14-6))
		} else {
			for range left {
				pack = append(pack, 0) // stuffing of the video stream
			}
			binary.BigEndian.PutUint16(pack[14+4:], uint16(PackSize-14-6))
		}
		out = append(out, pack...)
		at += size
	}
	if p.NAV {
		p.nav(out[begin:begin+PackSize], p.Sector+int64(begin/PackSize), int64((len(out)-begin)/PackSize-1), clock, first, n)
	}
	return out
}

// showing is the order of showing of the pictures of a group in the order of the
// stream: I B B P B B P …, the first two B before the I.
func showing(n int) (order []int) {
	for anchor := 2; len(order) < n; anchor += 3 {
		if anchor >= n {
			anchor = n - 1
		}
		order = append(order, anchor)
		for b := max(anchor-2, len(order)-1); b < anchor && len(order) < n; b++ {
			order = append(order, b)
		}
	}
	return order
}

// kindOf is the picture_coding_type of the i-th of a group: I, P or B.
func kindOf(i int) byte {
	switch {
	case i == 0:
		return 1
	case i%3 == 0:
		return 2
	}
	return 3
}

// header is the header of a pack (ISO/IEC 13818-1, 2.5.3.3), at 10.08 Mbit/s.
func header(scr int64) []byte {
	const rate = 25_200
	return []byte{0, 0, 1, 0xBA,
		0x44 | byte(scr>>30&7)<<3 | byte(scr>>28&3), byte(scr >> 20), 0x04 | byte(scr>>15&0x1F)<<3 | byte(scr>>13&3),
		byte(scr >> 5), 0x04 | byte(scr&0x1F)<<3, 0x01,
		rate >> 14, rate >> 6 & 0xFF, rate<<2&0xFF | 3, 0xF8}
}

// stampOf is a time stamp (2.4.3.6).
func stampOf(mark byte, t int64) []byte {
	return []byte{mark<<4 | byte(t>>30&7)<<1 | 1, byte(t >> 22), byte(t>>15&0x7F)<<1 | 1, byte(t >> 7), byte(t&0x7F)<<1 | 1}
}

// nav fills in a navigation pack.
func (p Program) nav(b []byte, sector, last, clock int64, first, n int) {
	copy(b, header(clock))
	copy(b[14:], []byte{0, 0, 1, 0xBB, 0, 0x12})
	copy(b[38:], []byte{0, 0, 1, 0xBF, 0x03, 0xD4, 0})
	copy(b[1024:], []byte{0, 0, 1, 0xBF, 0x03, 0xFA, 1})
	pci, dsi := b[38+7:], b[1024+7:]
	put := binary.BigEndian.PutUint32
	put(pci, uint32(sector))
	put(pci[12:], uint32(p.Begins+Delay+int64(first)*Tick))
	put(pci[16:], uint32(p.Begins+Delay+int64(first+n)*Tick))
	put(dsi, uint32(clock))
	put(dsi[4:], uint32(sector))
	put(dsi[8:], uint32(last))
	binary.BigEndian.PutUint16(dsi[24:], uint16(p.VOB))
	dsi[27] = 1
	s := first / 25
	copy(dsi[28:], []byte{bcd(s / 3600), bcd(s / 60 % 60), bcd(s % 60), 1<<6 | bcd(first%25)})
}
