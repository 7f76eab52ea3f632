package scsi

// ReadDiscStructure asks for what stands in a disc's lead-in, or was pressed into
// its groove. The response is [ParseStructure]'s; the types in it by format are
// [PhysicalFormat], [Copyright], [StructureEntry], [Maker]; the rest are bytes, good for
// telling one disc from another.
type ReadDiscStructure struct {
	Media   MediaType // 4 bits
	Address uint32
	Layer   uint8
	Format  StructureFormat
	Alloc   uint16
}

// MediaType is which table of formats holds.
type MediaType uint8

const (
	MediaDVD MediaType = 0
	MediaBD  MediaType = 1
)

// StructureFormat is which structure is asked for. Those about keys have no names
// here.
type StructureFormat uint8

const (
	StructPhysical      StructureFormat = 0x00 // physical format information; BD: disc information
	StructCopyright     StructureFormat = 0x01
	StructBCA           StructureFormat = 0x03 // burst cutting area, up to 188 bytes
	StructManufacturing StructureFormat = 0x04 // 2048 bytes
	StructPreRecorded   StructureFormat = 0x0E // in the lead-in, -R and -RW
	StructUniqueID      StructureFormat = 0x0F // unique disc identifier
	StructLeadIn        StructureFormat = 0x10 // format information from the control data zone
	StructADIP          StructureFormat = 0x11 // +R and +RW; some drives refuse it
	StructLayerBoundary StructureFormat = 0x20
	StructProtection    StructureFormat = 0xC0 // write protection
	StructList          StructureFormat = 0xFF
)

func (r ReadDiscStructure) Command() Command {
	c := build(OpReadDiscStructure, FromUnit, int64(r.Alloc))
	c.cdb[1], c.cdb[6], c.cdb[7] = byte(r.Media&15), r.Layer, byte(r.Format)
	be.PutUint32(c.cdb[2:], r.Address)
	be.PutUint16(c.cdb[8:], r.Alloc)
	return c
}

func decodeReadDiscStructure(c []byte) Request {
	return ReadDiscStructure{MediaType(c[1] & 15), be.Uint32(c[2:]), c[6], StructureFormat(c[7]), be.Uint16(c[8:])}
}

const structureHead = 4

// ParseStructure is the structure in a response, without its head; a part of b.
// ErrShort is returned below 4 bytes, ErrTruncated with what came.
func ParseStructure(b []byte) ([]byte, error) {
	b, err := claimed16("disc structure", b, structureHead, longest16)
	if b == nil {
		return nil, err
	}
	return b[structureHead:], err
}

// AppendStructure appends the response with a structure in it, of no more than
// 65,533 bytes.
func AppendStructure(b, structure []byte) []byte {
	at := len(b)
	b = append(b, 0, 0, 0, 0)
	return setLength16(append(b, structure[:min(len(structure), room(structureHead, 1))]...), at)
}

// StructureEntry is one line of the list of structures, format FFh.
type StructureEntry struct {
	Format   StructureFormat
	Sendable bool // the drive would take it from a host
	Readable bool
	Length   uint16 // of its response; drives count 0, 2 or 4 bytes of its head with it
}

// ParseStructureList is the list in a structure of format FFh.
func ParseStructureList(structure []byte) []StructureEntry {
	var list []StructureEntry
	for e := structure; len(e) >= 4; e = e[4:] {
		list = append(list, StructureEntry{StructureFormat(e[0]), has(e[1], 7), has(e[1], 6), be.Uint16(e[2:])})
	}
	return list
}

// AppendStructureList appends the structure of format FFh.
func AppendStructureList(b []byte, list []StructureEntry) []byte {
	for _, e := range list {
		b = be.AppendUint16(append(b, byte(e.Format), flag(e.Sendable, 7)|flag(e.Readable, 6)), e.Length)
	}
	return b
}

// Copyright is the structure of format 01h. A title with protection is told of
// and left alone.
type Copyright struct {
	Protection uint8 // 0 none, 1 CSS or CPPM, 2 CPRM, 3 AACS [codes: memory]
	Regions    uint8 // a bit for each region where it may not be played
}

// ParseCopyright reads the structure of format 01h. ErrShort is returned below 2
// bytes.
func ParseCopyright(structure []byte) (Copyright, error) {
	if err := enough("copyright structure", structure, 2); err != nil {
		return Copyright{}, err
	}
	return Copyright{structure[0], structure[1]}, nil
}

// Append appends the structure, 4 bytes.
func (c Copyright) Append(b []byte) []byte { return append(b, c.Protection, c.Regions, 0, 0) }
