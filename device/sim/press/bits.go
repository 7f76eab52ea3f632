package press

import "encoding/binary"

// bits is a stream of bits, the first the highest of a byte.
type bits struct {
	b    []byte
	word uint64 // the last n bits that are in no byte yet
	n    uint
}

// put appends the low n bits of v, at most 56.
func (w *bits) put(v uint64, n uint) {
	w.word = w.word<<n | v&(1<<n-1)
	w.n += n
	for w.n >= 8 {
		w.n -= 8
		w.b = append(w.b, byte(w.word>>w.n))
	}
}

// align fills up the last byte with zeros.
func (w *bits) align() {
	if w.n > 0 {
		w.put(0, 8-w.n)
	}
}

// start appends a start code (ISO/IEC 13818-1 and -2), at a whole byte.
func (w *bits) start(code byte) {
	w.align()
	w.b = append(w.b, 0, 0, 1, code)
}

// be is the order of bytes in streams and IFO tables, le that of UDF.
var (
	be = binary.BigEndian
	le = binary.LittleEndian
)

// align is n, or the next multiple of a step above it.
func align(n, step int) int { return (n + step - 1) / step * step }

// sectorsOf is how many sectors so many bytes take.
func sectorsOf(n int) int { return align(n, size) / size }
