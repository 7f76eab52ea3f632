package press

// Photo is an invented photograph: a JPEG of 8·across by 8·down points (ISO/IEC 10918-1,
// baseline, with a JFIF header), of which each block has one shade. No two numbers give
// the same one.
func Photo(number, across, down int) []byte {
	w := bits{b: []byte{0xFF, 0xD8}}
	part := func(marker byte, body ...byte) {
		n := 2 + len(body)
		w.b = append(append(w.b, 0xFF, marker, byte(n>>8), byte(n)), body...)
	}
	part(0xE0, 'J', 'F', 'I', 'F', 0, 1, 1, 0, 0, 1, 0, 1, 0, 0)
	quantisers := make([]byte, 1+64)
	for i := range quantisers[1:] {
		quantisers[1+i] = 8 // a DC coefficient is 8 times the mean
	}
	part(0xDB, quantisers...)
	part(0xC0, 8, byte(8*down>>8), byte(8*down), byte(8*across>>8), byte(8*across),
		3, 1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0)
	// One table for all DC differences: the typical one for luma (table K.3), of which
	// nine sizes are needed. One for what follows them: the end of the block alone.
	part(0xC4, append([]byte{0x00, 0, 1, 5, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0},
		0, 1, 2, 3, 4, 5, 6, 7, 8)...)
	part(0xC4, append([]byte{0x10, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}, 0)...)
	part(0xDA, 3, 1, 0x00, 2, 0x00, 3, 0x00, 0, 63, 0)

	var was [3]int
	x := grain(number<<8 + 255)
	slope, hue := int(x.next()%5)-2, int(x.next()%60)
	begin := len(w.b)
	for y := range down {
		for i := range across {
			v := x.next()
			shade := 90 + y*80/down + slope*i*20/across + int(v&31)
			tone := [3]int{shade, 100 + hue + int(v>>8&7), 110 + hue/2 + int(v>>16&7)}
			for k := range tone {
				c := &photoCodes[tone[k]-was[k]+255]
				if y+i == 0 {
					c = &photoCodes[tone[k]-128+255]
				}
				was[k] = tone[k]
				w.put(c.v, c.n)
			}
		}
	}
	if w.n > 0 {
		w.put(0xFF, 8-w.n)
	}
	// A byte FF of the coefficients has a 0 behind it.
	out := w.b[:begin:begin]
	for _, b := range w.b[begin:] {
		if out = append(out, b); b == 0xFF {
			out = append(out, 0)
		}
	}
	return append(out, 0xFF, 0xD9)
}

// Codes of the size of a DC difference (ISO/IEC 10918-1 table K.3), by size.
var sizePhoto = []string{"00", "010", "011", "100", "101", "110", "1110", "11110", "111110"}

var photoCodes = blockCodes(sizePhoto, "0")
