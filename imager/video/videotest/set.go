package videotest

import (
	"encoding/binary"

	"turnstone/imager/video"
)

// Set is a title set of made-up films: its VOBS, and VTS_nn_0.IFO to it, by the layout
// that package video tells of.
func Set(films ...Program) (ifo, vobs []byte) {
	var titles [][]video.Cell
	var units []int64
	for i, p := range films {
		first := int64(len(vobs) / PackSize)
		p.NAV, p.VOB, p.Sector = true, i+1, first
		vobs = append(vobs, p.Bytes()...)
		c := video.Cell{VOB: p.VOB, ID: 1, First: first, Last: int64(len(vobs)/PackSize) - 1, Shown: video.Ticks(p.Pictures) * Tick}
		for a := first; a <= c.Last; a++ {
			if _, ok := video.ParseNAV(vobs[a*PackSize : (a+1)*PackSize]); ok {
				units, c.LastUnit = append(units, a), a
			}
		}
		titles = append(titles, []video.Cell{c})
	}
	return SetFile(titles, units, int64(len(vobs)/PackSize)), vobs
}

// SetFile is VTS_nn_0.IFO of a set: of each title the cells, all of one chain and each a
// chapter; where units begin; how many sectors the titles' VOBS has.
func SetFile(titles [][]video.Cell, units []int64, vobs int64) []byte {
	sectors := func(n int) int { return (n + PackSize - 1) / PackSize }
	const chapters = 1
	chains := chapters + 1
	size := 8 + 8*len(titles)
	for _, cells := range titles {
		size += 236 + 28*len(cells)
	}
	admap := chains + sectors(size)
	end := admap + sectors(4+4*len(units))
	b := make([]byte, end*PackSize)
	put := func(at int, v int64) { binary.BigEndian.PutUint32(b[at:], uint32(v)) }
	put16 := func(at int, v int) { binary.BigEndian.PutUint16(b[at:], uint16(v)) }
	copy(b, "DVDVIDEO-VTS")
	put(12, 2*int64(end)+vobs-1)
	put(28, int64(end)-1)
	put(196, int64(end))
	put(200, chapters)
	put(204, int64(chains))
	put(228, int64(admap))

	at := chapters * PackSize
	put16(at, len(titles))
	next := 8 + 4*len(titles)
	for i, cells := range titles {
		put(at+8+4*i, int64(next))
		for k := range cells {
			put16(at+next, i+1)
			put16(at+next+2, k+1)
			next += 4
		}
	}
	put(at+4, int64(next-1))

	at = chains * PackSize
	put16(at, len(titles))
	put(at+4, int64(size-1))
	next = 8 + 8*len(titles)
	for i, cells := range titles {
		put(at+8+8*i+4, int64(next))
		chain := at + next
		n := len(cells)
		b[chain+3] = byte(n)
		put16(chain+232, 236)
		put16(chain+234, 236+24*n)
		for k, c := range cells {
			e := chain + 236 + 24*k
			pictures := int(c.Shown / Tick)
			copy(b[e+4:], []byte{bcd(pictures / 25 / 3600), bcd(pictures / 25 / 60 % 60), bcd(pictures / 25 % 60), 1<<6 | bcd(pictures%25)})
			put(e+8, c.First)
			put(e+16, c.LastUnit)
			put(e+20, c.Last)
			place := chain + 236 + 24*n + 4*k
			put16(place, c.VOB)
			b[place+3] = byte(c.ID)
		}
		next += 236 + 28*n
	}

	at = admap * PackSize
	put(at, int64(4+4*len(units)-1))
	for i, u := range units {
		put(at+4+4*i, u)
	}
	return b
}

// ManagerFile is VIDEO_TS.IFO of a disc with a set of so many titles.
func ManagerFile(titles int) []byte {
	b := make([]byte, 2*PackSize)
	copy(b, "DVDVIDEO-VMG")
	put := func(at, v int) { binary.BigEndian.PutUint32(b[at:], uint32(v)) }
	put(12, 4-1)
	put(28, 2-1)
	b[63] = 1
	put(196, 1)
	at := PackSize
	b[at+1] = byte(titles)
	put(at+4, 8+12*titles-1)
	for i := range titles {
		copy(b[at+8+12*i:], []byte{0, 1, 0, 1, 0, 0, 1, byte(i + 1)})
	}
	return b
}

func bcd(n int) byte { return byte(n/10<<4 | n%10) }
