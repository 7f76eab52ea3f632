package scsi

// Speeds are in kB/s, kB of 1000 bytes (libburn). All of them are requests: a
// drive may round, limit or ignore them, and a reset undoes them.

// SetCDSpeed asks a drive to turn slower or faster.
type SetCDSpeed struct {
	Rotation uint8  // 2 bits: 0 the drive's own, 1 CAV [memory]
	Read     uint16 // kB/s; MaxSpeed for as fast as it can
	Write    uint16
}

// MaxSpeed leaves a speed to the drive: as fast as it can.
const MaxSpeed = 0xFFFF

func (r SetCDSpeed) Command() Command {
	c := build(OpSetCDSpeed, NoData, 0)
	c.cdb[1] = r.Rotation & 3
	be.PutUint16(c.cdb[2:], r.Read)
	be.PutUint16(c.cdb[4:], r.Write)
	return c
}

func decodeSetCDSpeed(c []byte) Request {
	return SetCDSpeed{c[1] & 3, be.Uint16(c[2:]), be.Uint16(c[4:])}
}

// SetStreaming asks a drive for a rate over a range; a [StreamRange] follows it.
type SetStreaming struct {
	Type   uint8 // 0 [memory]
	Length uint16
}

// StreamRangeLen is the length of what follows SET STREAMING.
const StreamRangeLen = 28

func (r SetStreaming) Command() Command {
	c := build(OpSetStreaming, ToUnit, int64(r.Length))
	c.cdb[8] = r.Type
	be.PutUint16(c.cdb[9:], r.Length)
	return c
}

func decodeSetStreaming(c []byte) Request { return SetStreaming{c[8], be.Uint16(c[9:])} }

// StreamRange is MMC's performance descriptor for SET STREAMING: so many kB within
// so many ms, from one block to another.
type StreamRange struct {
	WriteRotation uint8 // WRC, 2 bits
	Restore       bool  // RDD: back to the drive's own speeds [memory]
	Exact         bool
	RandomAccess  bool // RA [memory]
	Start, End    uint32
	ReadSize      uint32 // kB; with a time of 1000 ms kB/s
	ReadTime      uint32 // ms
	WriteSize     uint32
	WriteTime     uint32
}

// ReadRate asks for kB/s over blocks up to end. The fields for writing, which
// some drives check [memory], say the same; nothing is written by it.
func ReadRate(kB, end uint32) StreamRange {
	return StreamRange{End: end, ReadSize: kB, ReadTime: 1000, WriteSize: kB, WriteTime: 1000}
}

// Command is the SET STREAMING that the range goes with; Append makes its data.
func (s StreamRange) Command() Command { return SetStreaming{Length: StreamRangeLen}.Command() }

// Append appends the 28 bytes.
func (s StreamRange) Append(b []byte) []byte {
	b = append(b, s.WriteRotation&3<<3|flag(s.Restore, 2)|flag(s.Exact, 1)|flag(s.RandomAccess, 0), 0, 0, 0)
	for _, v := range []uint32{s.Start, s.End, s.ReadSize, s.ReadTime, s.WriteSize, s.WriteTime} {
		b = be.AppendUint32(b, v)
	}
	return b
}

// ParseStreamRange reads the 28 bytes. ErrShort is returned below that.
func ParseStreamRange(b []byte) (StreamRange, error) {
	if err := enough("streaming range", b, StreamRangeLen); err != nil {
		return StreamRange{}, err
	}
	return StreamRange{
		WriteRotation: b[0] >> 3 & 3, Restore: has(b[0], 2), Exact: has(b[0], 1), RandomAccess: has(b[0], 0),
		Start: be.Uint32(b[4:]), End: be.Uint32(b[8:]), ReadSize: be.Uint32(b[12:]), ReadTime: be.Uint32(b[16:]),
		WriteSize: be.Uint32(b[20:]), WriteTime: be.Uint32(b[24:]),
	}, nil
}

// GetPerformance asks how fast a drive is where; see [Performance] for type 0,
// [WriteSpeeds] for type 3.
type GetPerformance struct {
	DataType uint8 // 5 bits; [NominalRead]
	Start    uint32
	Max      uint16 // descriptors
	Type     PerformanceType
}

// NominalRead is the data type that asks for nominal speeds of reading.
const NominalRead = 0x10

// PerformanceType is which list GET PERFORMANCE returns.
type PerformanceType uint8

const (
	PerformanceList PerformanceType = 0x00
	WriteSpeedList  PerformanceType = 0x03
)

const (
	performanceHead = 8
	performanceLen  = 16 // of a descriptor of types 0 and 3
)

func (r GetPerformance) Command() Command {
	c := build(OpGetPerformance, FromUnit, performanceHead+int64(r.Max)*performanceLen)
	c.cdb[1], c.cdb[10] = r.DataType&31, byte(r.Type)
	be.PutUint32(c.cdb[2:], r.Start)
	be.PutUint16(c.cdb[8:], r.Max)
	return c
}

func decodeGetPerformance(c []byte) Request {
	return GetPerformance{c[1] & 31, be.Uint32(c[2:]), be.Uint16(c[8:]), PerformanceType(c[10])}
}

// Performance is the response of type 0: the speed from place to place, changing
// evenly within a zone. [Flags of the head: memory]
type Performance struct {
	Write  bool // of writing
	Except bool // only where it is not nominal
	Zones  []SpeedZone
}

// SpeedZone is a range of blocks with the speeds at its ends in kB/s.
type SpeedZone struct{ Start, StartSpeed, End, EndSpeed uint32 }

// ParsePerformance reads the response of type 0. ErrShort is returned below 8
// bytes, ErrTruncated with the zones that came.
func ParsePerformance(b []byte) (Performance, error) {
	b, err := claimed32("performance", b, performanceHead)
	if b == nil {
		return Performance{}, err
	}
	p := Performance{Write: has(b[4], 1), Except: has(b[4], 0)}
	for d := b[performanceHead:]; len(d) >= performanceLen; d = d[performanceLen:] {
		p.Zones = append(p.Zones, SpeedZone{be.Uint32(d), be.Uint32(d[4:]), be.Uint32(d[8:]), be.Uint32(d[12:])})
	}
	return p, err
}

// Append appends the response.
func (p Performance) Append(b []byte) []byte {
	b = append(be.AppendUint32(b, uint32(performanceHead-4+performanceLen*len(p.Zones))),
		flag(p.Write, 1)|flag(p.Except, 0), 0, 0, 0)
	for _, z := range p.Zones {
		for _, v := range [4]uint32{z.Start, z.StartSpeed, z.End, z.EndSpeed} {
			b = be.AppendUint32(b, v)
		}
	}
	return b
}

// WriteSpeed is one entry of the response of type 3, which also tells the speed of
// reading that goes with it; older drives tell it nowhere else.
type WriteSpeed struct {
	Rotation uint8 // WRC, 2 bits
	Exact    bool
	MRW      bool
	End      uint32 // the disc's last block
	Read     uint32 // kB/s
	Write    uint32
}

// ParseWriteSpeeds reads the response of type 3. Its errors are those of
// ParsePerformance.
func ParseWriteSpeeds(b []byte) ([]WriteSpeed, error) {
	b, err := claimed32("write speeds", b, performanceHead)
	var list []WriteSpeed
	for d := b[min(len(b), performanceHead):]; len(d) >= performanceLen; d = d[performanceLen:] {
		list = append(list, WriteSpeed{d[0] >> 3 & 3, has(d[0], 1), has(d[0], 0), be.Uint32(d[4:]), be.Uint32(d[8:]), be.Uint32(d[12:])})
	}
	return list, err
}

// AppendWriteSpeeds appends the response of type 3.
func AppendWriteSpeeds(b []byte, list []WriteSpeed) []byte {
	b = append(be.AppendUint32(b, uint32(performanceHead-4+performanceLen*len(list))), 0, 0, 0, 0)
	for _, w := range list {
		b = append(b, w.Rotation&3<<3|flag(w.Exact, 1)|flag(w.MRW, 0), 0, 0, 0)
		for _, v := range [3]uint32{w.End, w.Read, w.Write} {
			b = be.AppendUint32(b, v)
		}
	}
	return b
}
