package press

// A group of pictures as the stream holds it (ISO/IEC 13818-2).
const (
	frameTicks = 90_000 / 25 // of the 90 kHz clock, for a picture
	frames     = 12          // of a group
	groupTicks = frames * frameTicks
)

// Start codes (ISO/IEC 13818-2 table 6-1).
const (
	codePicture     = 0x00
	codeSequence    = 0xB3
	codeExtension   = 0xB5
	codeSequenceEnd = 0xB7
	codeGroup       = 0xB8
)

// Codes of the size of a DC difference (ISO/IEC 13818-2 tables B.12 and B.13), by size.
var (
	sizeLuma   = []string{"100", "00", "01", "101", "110", "1110", "11110", "111110", "1111110"}
	sizeChroma = []string{"00", "01", "10", "110", "1110", "11110", "111110", "1111110", "11111110"}
)

// code is some bits.
type code struct {
	v uint64
	n uint
}

func codeOf(s string) (c code) {
	for _, d := range s {
		c.v, c.n = c.v<<1|uint64(d-'0'), c.n+1
	}
	return c
}

func (c code) then(v uint64, n uint) code { return code{c.v<<n | v, c.n + n} }

// blockCodes is the DC coefficient of an intra block, by its difference from the one
// before, plus 255, and what follows it. The size's code goes first, then the difference
// (a negative one less 1, in so many bits).
func blockCodes(sizes []string, end string) (all [511]code) {
	for i := range all {
		d := i - 255
		n := uint(0)
		for abs := max(d, -d); abs > 0; abs >>= 1 {
			n++
		}
		if d < 0 {
			d += 1<<n - 1
		}
		e := codeOf(end)
		all[i] = codeOf(sizes[n]).then(uint64(d), n).then(e.v, e.n)
	}
	return all
}

// Coefficients behind the DC: codes of runs and levels of 1, positive or negative, and
// the end of a block (ISO/IEC 13818-2 table B.14 [memory]; ffmpeg takes them).
const endOfBlock = "10"

var coefficients = [8]string{"110", "111", "0110", "0111", "01010", "01011", "001110", "001111"}

var (
	lumaCodes   = blockCodes(sizeLuma, "")
	chromaCodes = blockCodes(sizeChroma, endOfBlock)
	textures    = texturesOf()
)

// texturesOf is what follows the DC of a block of luma: a little of this and that, which
// looks like the grain of a film, and makes a picture as long as that of one.
func texturesOf() (all [256]code) {
	for i := range all {
		x, s := grain(i), ""
		for v := x.next(); len(s) < 18; v >>= 3 {
			s += coefficients[v&7]
		}
		all[i] = codeOf(s + endOfBlock)
	}
	return all
}

// group appends a group of pictures that shows one picture, at so many seconds and
// pictures of the film, and tells where the first three pictures end. last ends the
// sequence behind it.
func group(w *bits, m *mosaic, at int, last bool) (ends [3]int) {
	sequence(w)
	w.start(codeGroup)
	seconds := uint64(at / 25)
	w.put(0, 1) // no drop frame
	w.put(seconds/3600, 5)
	w.put(seconds/60%60, 6)
	w.put(1, 1)
	w.put(seconds%60, 6)
	w.put(uint64(at%25), 6)
	w.put(0b10, 2) // closed, link not broken
	for k := range frames {
		picture(w, k)
		if k == 0 {
			for y := range macroY {
				intraSlice(w, m, y)
			}
		} else {
			for y := range macroY {
				stillSlice(w, y)
			}
		}
		w.align()
		if k < len(ends) {
			ends[k] = len(w.b)
		}
	}
	if last {
		w.start(codeSequenceEnd)
	}
	return ends
}

// sequence appends a sequence header and its extension: 720 × 576, 4:3, 25 pictures a
// second, 2 Mbit/s, main profile at main level, 4:2:0.
func sequence(w *bits) {
	w.start(codeSequence)
	w.put(720, 12)
	w.put(576, 12)
	w.put(2, 4) // 4:3
	w.put(3, 4) // 25 a second
	w.put(2_000_000/400, 18)
	w.put(1, 1)
	w.put(112, 10)  // buffer, of 16,384 bits: 224 KiB
	w.put(0b000, 3) // not constrained, the standard's matrices
	w.start(codeExtension)
	w.put(1, 4)
	w.put(0x48, 8)
	w.put(0, 1) // interlaced pictures may be there
	w.put(1, 2) // 4:2:0
	w.put(0, 4+12)
	w.put(1, 1)
	w.put(0, 8+1+2+5)
}

// picture appends the headers of picture k of a group: the first an I picture, the
// others P pictures.
func picture(w *bits, k int) {
	w.start(codePicture)
	w.put(uint64(k), 10)
	forward := uint64(0x11) // f_code 1: vectors of half a macroblock at most
	if k == 0 {
		forward = 0xFF
		w.put(1, 3)
		w.put(0xFFFF, 16)
	} else {
		w.put(2, 3)
		w.put(0xFFFF, 16)
		w.put(0b0111, 4)
	}
	w.put(0, 1)
	w.start(codeExtension)
	w.put(8, 4)
	w.put(forward, 8)
	w.put(0xFF, 8)
	w.put(0, 2)     // DC of 8 bits
	w.put(3, 2)     // a frame
	w.put(0b11, 2)  // top field first; prediction and DCT by frames
	w.put(0, 5)     // no concealment, linear scale, table B.14, zigzag, no repeat
	w.put(0b110, 3) // progressive, not composite
}

// intraSlice appends a row of macroblocks, each with a DC for each of its blocks.
func intraSlice(w *bits, m *mosaic, y int) {
	w.start(byte(1 + y))
	w.put(8<<1, 6) // quantiser scale
	luma, cb, cr := 128, 128, 128
	next := func(was *int, v uint8, codes *[511]code) code {
		c := codes[int(v)-*was+255]
		*was = int(v)
		return c
	}
	for x := range macroX {
		w.put(0b11, 2) // the next address; intra
		for i := range 4 {
			v := m.luma[2*y+i/2][2*x+i%2]
			c, t := next(&luma, v, &lumaCodes), &textures[uint8(x*4+i+y*37)^v]
			w.put(c.v<<t.n|t.v, c.n+t.n)
		}
		c := next(&cb, m.cb[y][x], &chromaCodes)
		w.put(c.v, c.n)
		c = next(&cr, m.cr[y][x], &chromaCodes)
		w.put(c.v, c.n)
	}
}

// Codes of a macroblock of a P picture, moved by nothing and not coded (ISO/IEC 13818-2
// tables B.1, B.3, B.10): the next address, or 44 further on, which is 33 and 11.
var (
	stillFirst = codeOf("1" + "001" + "1" + "1")
	stillLast  = codeOf("00000001000" + "00001010" + "001" + "1" + "1")
)

// stillSlice appends a row of macroblocks that stay as they are. The first and the last
// may not be skipped.
func stillSlice(w *bits, y int) {
	w.start(byte(1 + y))
	w.put(8<<1, 6)
	w.put(stillFirst.v, stillFirst.n)
	w.put(stillLast.v, stillLast.n)
}
