package cd

import (
	"encoding/binary"

	"turnstone/ecc/gf256"
)

// The parity's area is the sector from its header on. A byte of it is a symbol;
// its place is the number of the byte. Low and high byte of a word being coded
// apart, there are twice as many code words as the package doc's drawing has
// columns and diagonals: P word 2j+h is column j, Q word 2n+h diagonal n, with h
// 0 for low bytes and 1 for high.
const (
	areaSize = Size - headerAt
	rows     = 26
	rowBytes = 2 * 43
	matrix   = rows * rowBytes // in front of Q's check symbols
	pWords   = rowBytes
	qWords   = 2 * rows
	pLength  = rows
	qLength  = 43 + 2
)

type area = [areaSize]byte

// diagonals tells how Q winds through the area.
type diagonals struct {
	place [qWords][qLength]uint16 // of the i-th symbol of a word
	word  [areaSize]uint8         // to which a symbol belongs
	index [areaSize]uint8         // the symbol's i in it
}

var diagonal = makeDiagonals()

func makeDiagonals() (d diagonals) {
	for q := range qWords {
		n, h := q/2, q%2
		for i := range qLength {
			word := (44*i + 43*n) % (matrix / 2)
			if i >= 43 {
				word = matrix/2 + rows*(i-43) + n
			}
			place := 2*word + h
			d.place[q][i] = uint16(place)
			d.word[place], d.index[place] = uint8(q), uint8(i)
		}
	}
	return d
}

// syndromes are S0 and S1 of every code word.
type syndromes struct {
	p0, p1 [pWords]byte
	q0, q1 [qWords]byte
}

// zero tells whether every word is a code word.
func (s *syndromes) zero() bool { return *s == syndromes{} }

// To sum Q's diagonals as fast as columns, row r of the matrix is written 25−r
// words to the right:
//
//	            ┌──────── row  0 ────────┐
//	          ┌──────── row  1 ────────┐
//	        ┌──────── row  2 ────────┐              68 columns in all
//	      …
//	┌──────── row 25 ────────┐
//	column s     holds of row r its word m = s − 25 + r: always the same diagonal,
//	             n = r − m = 25 − s, counted modulo 26
//
// Column sums weighted by α^(25−r), as P's are, lack a factor of α^(44−s) then,
// for α^(44−m) = α^(44−s)·α^(25−r).
const (
	skewColumns = 2 * (43 + 25)
	skewRow     = 144 // columns, rounded up for columnSums
	sumColumns  = 24  // taken together by columnSums
)

// skewFactor is α^(44−s) for each byte column.
var skewFactor = func() (f [skewColumns]byte) {
	for i := range f {
		f[i] = gf256.Exp(44 - i/2)
	}
	return f
}()

// compute finds S0 and S1 of all words.
func (s *syndromes) compute(a *area) {
	var s0, s1 [skewRow]byte
	// P: the 26 rows as they stand. The last columns of a round of columnSums are the
	// next row's, or Q's checks, and not used.
	for c := 0; c < pWords; c += sumColumns {
		columnSums(s0[c:], s1[c:], a[c:], rowBytes)
	}
	copy(s.p0[:], s0[:])
	copy(s.p1[:], s1[:])

	var skewed [rows * skewRow]byte
	for r := range rows {
		copy(skewed[r*skewRow+2*(25-r):], a[r*rowBytes:][:rowBytes])
	}
	for c := 0; c < skewColumns; c += sumColumns {
		columnSums(s0[c:], s1[c:], skewed[c:], skewRow)
	}
	for q := range qWords {
		first, second := a[matrix+q], a[matrix+qWords+q] // m = 43 and 44
		s.q0[q] = first ^ second
		s.q1[q] = gf256.Mul(2, first) ^ second
	}
	for c := range skewColumns {
		q := (2*(25+26+26-c/2) + c%2) % qWords
		s.q0[q] ^= s0[c]
		s.q1[q] ^= gf256.Mul(skewFactor[c], s1[c])
	}
}

// columnSums is S0 and S1 of 24 columns of 26 bytes, stride apart: 24 bytes each into s0
// and s1. It multiplies eight symbols by α at a time.
func columnSums(s0, s1, m []byte, stride int) {
	const (
		top  = 0x8080808080808080
		poly = gf256.Poly & 0xFF * 0x0101010101010101
	)
	var a0, a1, b0, b1, c0, c1 uint64
	times := func(v uint64) uint64 {
		t := v & top
		return (v^t)<<1 ^ (t-t>>7)&poly // t − t/128 is 7Fh in bytes with t's bit, and poly's has no eighth bit
	}
	for r := range rows {
		row := m[r*stride:][:24]
		a, b, c := binary.LittleEndian.Uint64(row), binary.LittleEndian.Uint64(row[8:]), binary.LittleEndian.Uint64(row[16:])
		a0, b0, c0 = a0^a, b0^b, c0^c
		a1, b1, c1 = times(a1)^a, times(b1)^b, times(c1)^c
	}
	s0, s1 = s0[:24], s1[:24]
	binary.LittleEndian.PutUint64(s0, a0)
	binary.LittleEndian.PutUint64(s0[8:], b0)
	binary.LittleEndian.PutUint64(s0[16:], c0)
	binary.LittleEndian.PutUint64(s1, a1)
	binary.LittleEndian.PutUint64(s1[8:], b1)
	binary.LittleEndian.PutUint64(s1[16:], c1)
}

// makeParity fills in P, then Q, which covers P.
func makeParity(a *area) {
	// With the two check symbols x, y of a word still zero, S0 = x + y and
	// S1 = αx + y are what they have to be: x = (S0 + S1)/(1 + α).
	third := gf256.Inv(3)
	clear(a[parityAt-headerAt:])
	var s syndromes
	s.compute(a)
	p := a[24*rowBytes:]
	for j := range pWords {
		x := gf256.Mul(s.p0[j]^s.p1[j], third)
		p[j], p[pWords+j] = x, s.p0[j]^x
	}
	s.compute(a)
	q := a[matrix:]
	for n := range qWords {
		x := gf256.Mul(s.q0[n]^s.q1[n], third)
		q[n], q[qWords+n] = x, s.q0[n]^x
	}
}

// load copies a sector's area. The header of mode 2 counts as zero.
func (l *layout) load(a *area, sector []byte) {
	copy(a[:], sector[headerAt:])
	if l.mode == 2 {
		clear(a[:userAt-headerAt])
	}
}
