package cd

import "encoding/binary"

// edcPoly is x¹⁶ + x¹⁵ + x² + 1 times x¹⁶ + x² + x + 1, without x³², lowest power in
// the top bit.
const edcPoly = 0xD8018001

// edcTable[i][b] is the remainder of byte b followed by i zero bytes.
var edcTable = makeEDC()

func makeEDC() (t [16][256]uint32) {
	for b := range 256 {
		r := uint32(b)
		for range 8 {
			r = r>>1 ^ r&1*edcPoly
		}
		t[0][b] = r
	}
	for i := 1; i < len(t); i++ {
		for b := range 256 {
			r := t[i-1][b]
			t[i][b] = r>>8 ^ t[0][byte(r)]
		}
	}
	return t
}

// EDC is the error-detection code of data.
func EDC(data []byte) uint32 { return edc(0, data) }

// edc goes on from the remainder r, 16 bytes at a time.
func edc(r uint32, data []byte) uint32 {
	t := &edcTable
	for len(data) >= 16 {
		a := binary.LittleEndian.Uint64(data) ^ uint64(r)
		b := binary.LittleEndian.Uint64(data[8:])
		r = t[15][byte(a)] ^ t[14][byte(a>>8)] ^ t[13][byte(a>>16)] ^ t[12][byte(a>>24)] ^
			t[11][byte(a>>32)] ^ t[10][byte(a>>40)] ^ t[9][byte(a>>48)] ^ t[8][a>>56] ^
			t[7][byte(b)] ^ t[6][byte(b>>8)] ^ t[5][byte(b>>16)] ^ t[4][byte(b>>24)] ^
			t[3][byte(b>>32)] ^ t[2][byte(b>>40)] ^ t[1][byte(b>>48)] ^ t[0][b>>56]
		data = data[16:]
	}
	for _, b := range data {
		r = r>>8 ^ t[0][byte(r)^b]
	}
	return r
}

// edcHolds tells whether a sector's EDC is right.
func (l *layout) edcHolds(sector []byte) bool {
	return edc(0, sector[l.edcFrom:l.edcAt]) == binary.LittleEndian.Uint32(sector[l.edcAt:])
}
