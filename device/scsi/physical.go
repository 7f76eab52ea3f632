package scsi

// PhysicalFormat is the structure of formats 00h (the drive's choice of source)
// and 10h (from the lead-in) on a DVD. Positions as in linux/drivers/cdrom.c,
// codes as in summaries of MMC-5, densities [memory].
//
//	    7        4 3        0
//	0  | book type | version  |
//	1  | disc size | max rate |
//	2  |0|lay|path| layer type |      lay: layers - 1, 2 bits; path 1 bit
//	3  | linear d. | track d. |
//	4  | 00h | first PSN of the data area
//	8  | 00h | last PSN of the data area
//	12 | 00h | last PSN of layer 0, where there are two on one track
//	16 |BCA|
//	17 | of the medium, to byte 2047
type PhysicalFormat struct {
	Book       BookType
	Version    uint8 // 4 bits
	Size       uint8 // 4 bits: 0 120 mm, 1 80 mm
	MaxRate    uint8 // 4 bits: 0 2.52, 1 5.04, 2 10.08, 3 20.16, 4 30.24 Mbit/s, 15 none
	Layers     uint8 // 1 to 4
	Opposite   bool  // OTP; else PTP
	Embossed   bool
	Recordable bool
	Rewritable bool
	LayerBit3  bool   // reserved
	LinearCode uint8  // 4 bits: 0 0.267 µm a bit, 1 0.293, 2 0.409 to 0.435, 4 0.280 to 0.291, 8 0.353
	TrackCode  uint8  // 4 bits: 0 0.74 µm, 1 0.80, 2 0.615
	Start      uint32 // physical sector numbers, 24 bits
	End        uint32
	EndLayer0  uint32
	BCA        bool
	Medium     []byte // bytes 17 on
}

// BookType is which book of the standards a disc says it follows (MMC-5, table 401,
// as quoted in libburn). Recorders can set ROM on others [memory]: the profile
// tells what it is.
type BookType uint8

const (
	BookROM     BookType = 0
	BookRAM     BookType = 1
	BookR       BookType = 2
	BookRW      BookType = 3
	BookPlusRW  BookType = 9
	BookPlusR   BookType = 10
	BookPlusRWD BookType = 13 // two layers
	BookPlusRD  BookType = 14 // two layers
)

const physicalLeast = 17

// ParsePhysicalFormat reads the structure of formats 00h and 10h. ErrShort is
// returned below 17 bytes.
func ParsePhysicalFormat(s []byte) (PhysicalFormat, error) {
	if err := enough("physical format", s, physicalLeast); err != nil {
		return PhysicalFormat{}, err
	}
	return PhysicalFormat{
		Book: BookType(s[0] >> 4), Version: s[0] & 15,
		Size: s[1] >> 4, MaxRate: s[1] & 15,
		Layers: s[2]>>5&3 + 1, Opposite: has(s[2], 4),
		Embossed: has(s[2], 0), Recordable: has(s[2], 1), Rewritable: has(s[2], 2), LayerBit3: has(s[2], 3),
		LinearCode: s[3] >> 4, TrackCode: s[3] & 15,
		Start: get24(s[5:]), End: get24(s[9:]), EndLayer0: get24(s[13:]),
		BCA: has(s[16], 7), Medium: append([]byte(nil), s[physicalLeast:]...),
	}, nil
}

// PhysicalFormatLen is the length of the structure that a drive sends.
const PhysicalFormatLen = 2048

// Append appends the structure: 2048 bytes, more where Medium has more.
func (p PhysicalFormat) Append(b []byte) []byte {
	b, s := grow(b, max(PhysicalFormatLen, physicalLeast+len(p.Medium)))
	s[0] = byte(p.Book)<<4 | p.Version&15
	s[1] = p.Size<<4 | p.MaxRate&15
	s[2] = (p.Layers-1)&3<<5 | flag(p.Opposite, 4) | flag(p.LayerBit3, 3) |
		flag(p.Rewritable, 2) | flag(p.Recordable, 1) | flag(p.Embossed, 0)
	s[3] = p.LinearCode<<4 | p.TrackCode&15
	put24(s[5:], p.Start)
	put24(s[9:], p.End)
	put24(s[13:], p.EndLayer0)
	s[16] = flag(p.BCA, 7)
	copy(s[physicalLeast:], p.Medium)
	return b
}

// Sectors is how many sectors the data area has: of one layer, or of two on an
// opposite track, where numbers on layer 1 are complements of those on layer 0
// [memory]. It is false for other discs, and for numbers that contradict each
// other.
//
// Do not count from 030000h instead: drives are known to begin at 0 (QEMU).
func (p PhysicalFormat) Sectors() (n int64, ok bool) {
	first, last := int64(p.Start), int64(p.End)
	switch {
	case p.Layers == 1 && first <= last:
		return last - first + 1, true
	case p.Layers == 2 && p.Opposite:
		turn, back := int64(p.EndLayer0), int64(^p.EndLayer0&0xFFFFFF)
		if first <= turn && back <= last {
			return turn - first + 1 + last - back + 1, true
		}
	}
	return 0, false
}
