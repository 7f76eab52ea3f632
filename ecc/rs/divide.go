package rs

import (
	"encoding/binary"

	"turnstone/ecc/gf256"
)

// The remainder of a polynomial by the generator, in two ways. Both feed symbols
// into a register of n-k symbols whose first is the next to leave:
//
//	feed b:  f = b + first;  register = register · x + f · x^(n-k) mod g.
//
// After the data symbols the register holds their check symbols.

// quickMax is the most check symbols that two machine words hold.
const quickMax = 16

// register is up to 16 symbols, the first in the top byte of hi. Behind the last
// come zeros, which stay zero.
type register struct{ hi, lo uint64 }

// quickTable divides four symbols at once. quickTable[i][f] is f · x^(n-k+i) mod
// g as a register, for the symbol that is followed by i more of the four. It
// holds for codes of less than four check symbols too: what has not entered the
// register yet meets zeros there.
type quickTable [4][256]register

func makeQuickTable(gen []byte) *quickTable {
	t := new(quickTable)
	var g [quickMax]byte
	copy(g[:], gen)
	for f := range 256 {
		row := mulAll(g, byte(f))
		t[0][f] = register{binary.BigEndian.Uint64(row[:8]), binary.BigEndian.Uint64(row[8:])}
	}
	for i := 1; i < len(t); i++ {
		for f := range 256 {
			t[i][f] = t[i-1][f].feed(t, 0)
		}
	}
	return t
}

// feed is the register after one more symbol.
func (r register) feed(t *quickTable, b byte) register {
	e := &t[0][byte(r.hi>>56)^b]
	return register{r.hi<<8 | r.lo>>56 ^ e.hi, r.lo<<8 ^ e.lo}
}

// divideQuick is the register after all of data. Its inner loop and the one of
// Columns are written out, since they decide what a whole disc costs.
func divideQuick(t *quickTable, data []byte) (r register) {
	for len(data)%4 != 0 { // first, since the register is still zero and this costs least
		r = r.feed(t, data[0])
		data = data[1:]
	}
	hi, lo := r.hi, r.lo
	for len(data) >= 4 {
		four := uint32(hi>>32) ^ binary.BigEndian.Uint32(data)
		a, b := &t[3][four>>24], &t[2][byte(four>>16)]
		c, d := &t[1][byte(four>>8)], &t[0][byte(four)]
		hi = hi<<32 | lo>>32 ^ a.hi ^ b.hi ^ c.hi ^ d.hi
		lo = lo<<32 ^ a.lo ^ b.lo ^ c.lo ^ d.lo
		data = data[4:]
	}
	return register{hi, lo}
}

// divide writes the check symbols of data into the front of check, of which it
// may use quickMax bytes where the code has fewer.
func (c *Code) divide(check *[MaxN]byte, data []byte) {
	if c.quick != nil {
		r := divideQuick(c.quick, data)
		binary.BigEndian.PutUint64(check[:8], r.hi)
		binary.BigEndian.PutUint64(check[8:16], r.lo)
		return
	}
	reg := check[:len(c.slow)]
	clear(reg)
	for _, b := range data {
		f := b ^ reg[0]
		for i := range len(reg) - 1 {
			reg[i] = reg[i+1] ^ c.slow[i][f]
		}
		reg[len(reg)-1] = c.slow[len(reg)-1][f]
	}
}

// mulAll is f times every symbol.
func mulAll(symbols [quickMax]byte, f byte) [quickMax]byte {
	for i, s := range symbols {
		symbols[i] = gf256.Mul(s, f)
	}
	return symbols
}
