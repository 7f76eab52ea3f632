package scsi

// BlockLen is the length of a block that READ(10) and READ(12) count in: a
// sector's user data, 2048 bytes (MMC). A drive may say otherwise in READ
// CAPACITY; nothing here sets it.
const BlockLen = 2048

// Read10 reads blocks.
type Read10 struct {
	LBA    uint32
	Blocks uint16
	DPO    bool // disable page out: don't keep it in the cache
	FUA    bool // force unit access: from the disc, not from the cache; bit as sg_read sets it
}

func (r Read10) Command() Command {
	c := build(OpRead10, FromUnit, int64(r.Blocks)*BlockLen)
	c.cdb[1] = flag(r.DPO, 4) | flag(r.FUA, 3)
	be.PutUint32(c.cdb[2:], r.LBA)
	be.PutUint16(c.cdb[7:], r.Blocks)
	return c
}

func decodeRead10(c []byte) Request {
	return Read10{LBA: be.Uint32(c[2:]), Blocks: be.Uint16(c[7:]), DPO: has(c[1], 4), FUA: has(c[1], 3)}
}

// Read12 reads blocks. With Streaming the drive favours its rate over trying, and
// may deliver wrong bytes without an error: what came so is never good.
type Read12 struct {
	LBA       uint32
	Blocks    uint32
	DPO       bool
	FUA       bool
	Streaming bool // that it exists: t10.org, December 2002; byte 10 bit 7 [memory]
}

func (r Read12) Command() Command {
	c := build(OpRead12, FromUnit, int64(r.Blocks)*BlockLen)
	c.cdb[1] = flag(r.DPO, 4) | flag(r.FUA, 3)
	be.PutUint32(c.cdb[2:], r.LBA)
	be.PutUint32(c.cdb[6:], r.Blocks)
	c.cdb[10] = flag(r.Streaming, 7)
	return c
}

func decodeRead12(c []byte) Request {
	return Read12{LBA: be.Uint32(c[2:]), Blocks: be.Uint32(c[6:]),
		DPO: has(c[1], 4), FUA: has(c[1], 3), Streaming: has(c[10], 7)}
}

// Seek10 moves the head, which also leaves what the cache holds behind.
type Seek10 struct{ LBA uint32 }

func (r Seek10) Command() Command {
	c := build(OpSeek10, NoData, 0)
	be.PutUint32(c.cdb[2:], r.LBA)
	return c
}

func decodeSeek10(c []byte) Request { return Seek10{be.Uint32(c[2:])} }

// ReadCapacity asks how far the disc goes; see [Capacity].
type ReadCapacity struct{}

const capacityLen = 8

func (ReadCapacity) Command() Command { return build(OpReadCapacity, FromUnit, capacityLen) }

func decodeReadCapacity([]byte) Request { return ReadCapacity{} }

// Capacity is the response to READ CAPACITY. The last block may lie up to 75
// beyond the last that can be read (Linux, drivers/scsi/sr.c).
type Capacity struct {
	Last     uint32 // the last block's LBA
	BlockLen uint32 // bytes; drives are known to say 0, 2340 or 2352 and mean 2048 (sr.c)
}

// ParseCapacity reads the response to READ CAPACITY. ErrShort is returned below
// 8 bytes.
func ParseCapacity(b []byte) (Capacity, error) {
	if err := enough("capacity", b, capacityLen); err != nil {
		return Capacity{}, err
	}
	return Capacity{be.Uint32(b), be.Uint32(b[4:])}, nil
}

// Append appends the response.
func (c Capacity) Append(b []byte) []byte {
	return be.AppendUint32(be.AppendUint32(b, c.Last), c.BlockLen)
}

// Blocks is the number of blocks.
func (c Capacity) Blocks() int64 { return int64(c.Last) + 1 }
