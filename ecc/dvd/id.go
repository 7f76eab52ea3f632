package dvd

import (
	"encoding/binary"

	"turnstone/ecc/rs"
)

// ID is a data frame's identification data, as a big-endian number. The bits are
// as the informative annex of a standard of rewritable discs lists them; that the
// low 24 are the physical sector number is from memory.
//
//	bit 31     sector format: 0 one speed for all the disc (CLV), 1 zones
//	    30     tracking: 0 pits, 1 groove
//	    29     reflectivity: 0 above 40 %, 1 up to 40 %
//	    28     0
//	    27–26  zone
//	    25     0 read-only data, 1 other
//	    24     layer
//	    23–0   physical sector number
type ID uint32

// The flags and the zones of an ID.
const (
	ZonedFormat     ID = 1 << 31
	Groove          ID = 1 << 30
	LowReflectivity ID = 1 << 29
	ZoneData        ID = 0 << 26
	ZoneLeadIn      ID = 1 << 26
	ZoneLeadOut     ID = 2 << 26
	ZoneMiddle      ID = 3 << 26
	NotReadOnly     ID = 1 << 25
	Layer1          ID = 1 << 24

	zoneMask ID = 3 << 26
	psnMask  ID = 1<<24 - 1
)

// FirstPSN is the physical sector number at which the data zone begins
// (ECMA-359 clause 24.2, as a secondary source cites it): that of LBA 0.
const FirstPSN = 0x030000

// PSN is the physical sector number.
func (id ID) PSN() uint32 { return uint32(id & psnMask) }

// Zone is one of ZoneData, ZoneLeadIn, ZoneLeadOut and ZoneMiddle.
func (id ID) Zone() ID { return id & zoneMask }

// Layer is 0 or 1.
func (id ID) Layer() int { return int(id >> 24 & 1) }

// preset is which preset of the scrambler the ID chooses.
func (id ID) preset() int { return int(id >> 4 & 15) }

// idCode is the code of ID and IED.
var idCode = fixed(rs.New(idSize+iedSize, idSize, 0))

// IED is the ID's check symbols.
func (id ID) IED() [2]byte {
	var word [idSize + iedSize]byte
	id.put(word[:])
	return [2]byte(word[idSize:])
}

// put writes ID and IED.
func (id ID) put(word []byte) {
	binary.BigEndian.PutUint32(word, uint32(id))
	_ = idCode.Encode(word[:idSize+iedSize]) // its length is the code's
}

// fixed is a code whose numbers are this package's own constants; they can't be
// wrong without every test failing.
func fixed(c *rs.Code, err error) *rs.Code {
	if err != nil {
		panic(err)
	}
	return c
}
