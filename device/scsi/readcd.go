package scsi

// ReadCD reads sectors of a CD with the parts that are asked for.
//
//	sync │ header │ subheader │ user data │ EDC, ECC │ C2 │ sub-channel
//	 12      4         8       2048 … 2352   4 … 288   294    16 or 96
//
// A drive takes only parts that lie side by side [memory].
type ReadCD struct {
	Expect SectorType
	DAP    bool // hide errors in CD-DA by interpolation
	LBA    uint32
	Blocks uint32 // 24 bits
	Main   MainChannel
	C2     C2
	Sub    SubChannel
}

// SectorType is which sectors READ CD is to accept [codes: memory].
type SectorType uint8

const (
	AnySector SectorType = iota
	CDDA
	Mode1
	Mode2Formless
	Mode2Form1
	Mode2Form2
)

// MainChannel is what of a sector READ CD is to bring: bits 7 to 3 of byte 9.
type MainChannel uint8

const (
	Sync      MainChannel = 0x80
	Header    MainChannel = 0x20
	Subheader MainChannel = 0x40
	UserData  MainChannel = 0x10
	EDCECC    MainChannel = 0x08

	// WholeSector is all of its 2352 bytes (F8h in Linux, cdrom.c).
	WholeSector = Sync | Header | Subheader | UserData | EDCECC
)

// C2 is which error flags READ CD adds for each sector [codes: memory].
type C2 uint8

const (
	NoC2      C2 = iota
	C2Flags      // 294 bytes, a bit for each of 2352 bytes
	C2Block      // 296 bytes: the flags, the or of them all, and a zero
	c2Invalid    // reserved
)

// SubChannel is what of the sub-channel READ CD adds [codes: memory].
type SubChannel uint8

const (
	NoSub  SubChannel = 0
	SubRaw SubChannel = 1 // P to W, 96 bytes
	SubQ   SubChannel = 2 // Q in form, 16 bytes
	SubRW  SubChannel = 4 // R to W, 96 bytes
)

// sectorParts are lengths in bytes: sync, header, subheader, user data, EDC and
// ECC. Sync to ECC is 2352 for each (ECMA-130, 14 and Mode 2 of CD-ROM XA).
var sectorParts = map[SectorType][5]int{
	CDDA:          {0, 0, 0, 2352, 0},
	Mode1:         {12, 4, 0, 2048, 288},
	Mode2Formless: {12, 4, 0, 2336, 0},
	Mode2Form1:    {12, 4, 8, 2048, 280},
	Mode2Form2:    {12, 4, 8, 2324, 4},
}

var partFlags = [5]MainChannel{Sync, Header, Subheader, UserData, EDCECC}

// MainLen is how many bytes the parts of a sector of a type have; for AnySector
// the most that any type brings. For CD-DA everything is user data, and comes
// whenever anything is asked for. Reserved types have none.
func (m MainChannel) MainLen(t SectorType) int {
	t &= 7
	if t == CDDA {
		if m&WholeSector != 0 {
			return sectorParts[CDDA][3]
		}
		return 0
	}
	n := 0
	if t == AnySector {
		for t := range sectorParts {
			n = max(n, m.MainLen(t))
		}
		return n
	}
	for i, part := range sectorParts[t] {
		if m&partFlags[i] != 0 {
			n += part
		}
	}
	return n
}

// Len is how many bytes are added for each sector.
func (c C2) Len() int { return [4]int{C2Flags: 294, C2Block: 296, c2Invalid: 0}[c&3] }

// Len is how many bytes are added for each sector.
func (s SubChannel) Len() int {
	return [8]int{SubRaw: 96, SubQ: 16, SubRW: 96}[s&7]
}

// SectorLen is how many bytes come for each sector; with AnySector the most.
func (r ReadCD) SectorLen() int { return r.Main.MainLen(r.Expect) + r.C2.Len() + r.Sub.Len() }

func (r ReadCD) Command() Command {
	blocks := r.Blocks & 0xFFFFFF
	c := build(OpReadCD, FromUnit, int64(blocks)*int64(r.SectorLen()))
	c.cdb[1] = byte(r.Expect&7)<<2 | flag(r.DAP, 1)
	be.PutUint32(c.cdb[2:], r.LBA)
	put24(c.cdb[6:], blocks)
	c.cdb[9] = byte(r.Main&WholeSector) | byte(r.C2&3)<<1
	c.cdb[10] = byte(r.Sub & 7)
	return c
}

func decodeReadCD(c []byte) Request {
	return ReadCD{
		Expect: SectorType(c[1] >> 2 & 7), DAP: has(c[1], 1),
		LBA: be.Uint32(c[2:]), Blocks: get24(c[6:]),
		Main: MainChannel(c[9]) & WholeSector, C2: C2(c[9] >> 1 & 3), Sub: SubChannel(c[10] & 7),
	}
}
