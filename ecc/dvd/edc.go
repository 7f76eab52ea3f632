package dvd

import "encoding/binary"

// edcPoly is x³² + x³¹ + x⁴ + 1 without its highest power (US patent 7,134,043).
const edcPoly = 0x80000011

// edcTable[i][b] is the remainder of the byte b followed by i zero bytes, and by
// the four that EDC itself takes. It lets sixteen bytes be taken at once.
type edcTable [16][256]uint32

var edcTables = makeEDCTable()

func makeEDCTable() *edcTable {
	t := new(edcTable)
	for b := range uint32(256) {
		r := b << 24
		for range 8 {
			top := r >> 31
			r = r<<1 ^ top*edcPoly
		}
		t[0][b] = r
	}
	for i := 1; i < len(t); i++ {
		for b, r := range t[i-1] {
			t[i][b] = r<<8 ^ t[0][r>>24]
		}
	}
	return t
}

// EDC is the error-detection code of p: the remainder of p(x)·x³² by
// x³² + x³¹ + x⁴ + 1, the first byte's highest bit being the highest power. A frame
// with its EDC behind it has an EDC of zero.
func EDC(p []byte) uint32 {
	t, r := edcTables, uint32(0)
	for len(p) >= 16 {
		// What hangs on r comes last: the rest is ready by then.
		rest := t[11][p[4]] ^ t[10][p[5]] ^ t[9][p[6]] ^ t[8][p[7]] ^
			t[7][p[8]] ^ t[6][p[9]] ^ t[5][p[10]] ^ t[4][p[11]] ^
			t[3][p[12]] ^ t[2][p[13]] ^ t[1][p[14]] ^ t[0][p[15]]
		r ^= binary.BigEndian.Uint32(p)
		r = rest ^ t[15][r>>24] ^ t[14][byte(r>>16)] ^ t[13][byte(r>>8)] ^ t[12][byte(r)]
		p = p[16:]
	}
	for _, b := range p {
		r = r<<8 ^ t[0][byte(r>>24)^b]
	}
	return r
}
