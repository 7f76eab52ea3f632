package cd

// A second program: the rules of the package doc written down as they stand, bit
// by bit and word by word, without tables, skewing or the field's package.

// slowMul multiplies polynomials over {0, 1} and divides by x⁸+x⁴+x³+x²+1.
func slowMul(a, b byte) byte {
	product := 0
	for i := range 8 {
		if b>>i&1 == 1 {
			product ^= int(a) << i
		}
	}
	for i := 14; i >= 8; i-- {
		if product>>i&1 == 1 {
			product ^= 0x11D << (i - 8)
		}
	}
	return byte(product)
}

// slowPower is α to the n-th.
func slowPower(n int) byte {
	p := byte(1)
	for range n {
		p = slowMul(p, 2)
	}
	return p
}

// slowEDC divides bit by bit by the product of the two factors, highest power in
// the highest bit; the code's bits come out mirrored.
func slowEDC(data []byte) uint32 {
	f, g := uint64(1<<16|1<<15|1<<2|1), uint64(1<<16|1<<2|1<<1|1)
	var poly uint64
	for i := range 17 {
		if g>>i&1 == 1 {
			poly ^= f << i
		}
	}
	var r uint64
	for i := range 8*len(data) + 32 {
		r <<= 1
		if i < 8*len(data) {
			r |= uint64(data[i/8] >> (i % 8) & 1)
		}
		if r>>32&1 == 1 {
			r ^= poly
		}
	}
	var mirrored uint32
	for i := range 32 {
		mirrored |= uint32(r>>i&1) << (31 - i)
	}
	return mirrored
}

// slowWord is the offsets in a sector of one code word's symbols. Offsets of the
// low byte's code are even, those of the high byte's odd.
func slowWord(q bool, n, high int) (at []int) {
	add := func(word int) { at = append(at, 12+2*word+high) }
	if !q {
		for m := range 26 {
			add(43*m + n)
		}
		return at
	}
	for m := range 43 {
		add((44*m + 43*n) % 1118)
	}
	add(1118 + n)
	add(1144 + n)
	return at
}

// slowWords is all code words: those of P, then those of Q.
func slowWords() (words [][]int) {
	for high := range 2 {
		for n := range 43 {
			words = append(words, slowWord(false, n, high))
		}
	}
	for high := range 2 {
		for n := range 26 {
			words = append(words, slowWord(true, n, high))
		}
	}
	return words
}

// slowSums is S0 and S1 of a word as the package doc defines them.
func slowSums(sector []byte, at []int) (s0, s1 byte) {
	for i, offset := range at {
		s0 ^= sector[offset]
		s1 ^= slowMul(slowPower(len(at)-1-i), sector[offset])
	}
	return s0, s1
}

// slowParity finds each word's two check symbols by trying all values of the
// second: the first follows from S0.
func slowParity(sector []byte) {
	for _, at := range slowWords() {
		x, y := at[len(at)-2], at[len(at)-1]
		sector[x], sector[y] = 0, 0
		s0, s1 := slowSums(sector, at)
		for v := range 256 {
			if slowMul(2, s0^byte(v))^byte(v) == s1 {
				sector[x], sector[y] = s0^byte(v), byte(v)
			}
		}
	}
}

// slowSector encodes mode 1 and the forms of mode 2.
func slowSector(sector []byte, k Kind, lba int) {
	for i := range 12 {
		sector[i] = 0xFF
	}
	sector[0], sector[11] = 0, 0
	bcd := func(v int) byte { return byte(v/10*16 + v%10) }
	lba += 150
	header := []byte{bcd(lba / 75 / 60), bcd(lba / 75 % 60), bcd(lba % 75), 2}
	if k == Form1 || k == Form2 {
		sector[18] &= 0xDF
		if k == Form2 {
			sector[18] |= 0x20
		}
		copy(sector[20:24], sector[16:20])
	}
	put := func(at int, v uint32) {
		sector[at], sector[at+1], sector[at+2], sector[at+3] = byte(v), byte(v>>8), byte(v>>16), byte(v>>24)
	}
	switch k {
	case Mode1:
		header[3] = 1
		copy(sector[12:], header)
		put(2064, slowEDC(sector[:2064]))
		clear(sector[2068:2076])
		slowParity(sector)
	case Form1:
		put(2072, slowEDC(sector[16:2072]))
		clear(sector[12:16])
		slowParity(sector)
		copy(sector[12:], header)
	case Form2:
		put(2348, slowEDC(sector[16:2348]))
		copy(sector[12:], header)
	case Formless:
		copy(sector[12:], header)
	}
}
