package scsi

import "fmt"

// RequestSense asks for sense data; see [ParseSense]. Through SG_IO it comes by
// itself with each CHECK CONDITION.
type RequestSense struct {
	Descriptor bool // DESC: in descriptor format; bit as sg_requests sets it
	Alloc      uint8
}

func (r RequestSense) Command() Command {
	c := build(OpRequestSense, FromUnit, int64(r.Alloc))
	c.cdb[1], c.cdb[4] = flag(r.Descriptor, 0), r.Alloc
	return c
}

func decodeRequestSense(c []byte) Request { return RequestSense{has(c[1], 0), c[4]} }

// Status is how a command ended (SAM).
type Status uint8

const (
	Good           Status = 0x00
	CheckCondition Status = 0x02 // there is sense data; good data may have come all the same
	Busy           Status = 0x08
	Conflict       Status = 0x18 // reserved by another host
	TaskSetFull    Status = 0x28
	TaskAborted    Status = 0x40
)

// Key is the sense key: what kind of thing happened.
type Key uint8

const (
	NoSense Key = iota
	RecoveredError
	NotReadyKey
	MediumError
	HardwareError
	IllegalRequest
	UnitAttention
	DataProtect
	BlankCheck
	VendorKey
	CopyAborted
	AbortedCommand
	reservedKey
	VolumeOverflow
	Miscompare
	CompletedKey
)

var keyNames = [16]string{
	"no sense", "recovered error", "not ready", "medium error", "hardware error", "illegal request",
	"unit attention", "data protect", "blank check", "vendor specific", "copy aborted", "aborted command",
	"reserved", "volume overflow", "miscompare", "completed",
}

// String is the key's name in SPC.
func (k Key) String() string { return keyNames[k&15] }

// Sense is sense data, of either format. It is comparable.
type Sense struct {
	Key       Key // 4 bits
	ASC, ASCQ uint8
	// ASC and ASCQ are the additional sense code and its qualifier; 0 where the
	// data ends before them.
	Deferred bool // 71h, 73h: it is about a command before this one
	Valid    bool // Information means what SPC says: for a read the failing block
	// Information may hold something where Valid is not set; what, no standard says.
	Information     uint64
	CommandSpecific uint64
	FRU             uint8
	Filemark        bool
	EOM             bool // end of medium
	ILI             bool // incorrect length
	Overflow        bool // SDAT_OVFL: there was more sense data
	Specific        Specific
	Descriptor      bool // it came, or is to go, in descriptor format
}

// Specific is what depends on the sense key; bit 7 of the first byte is SKSV, it
// is valid.
type Specific [3]byte

// ParseSense reads sense data of either format. ErrShort is returned when it ends
// before the sense key, ErrFormat for a response code other than 70h to 73h. What
// the data does not reach is zero.
//
// Fixed format:
//
//	0       1      2           3             7    8          12    13    14    15
//	+-------+------+-----------+-------------+----+----------+-----+-----+-----+----------+
//	|V| 70h |      |F E I | key| information | n  | command  | ASC | ASCQ| FRU | specific |
//	+-------+------+-----------+-------------+----+----------+-----+-----+-----+----------+
//	                                           n bytes follow byte 7
//
// Descriptor format:
//
//	0     1     2     3      4         7   8
//	+-----+-----+-----+------+---------+---+------------+------------+----
//	| 72h | key | ASC | ASCQ |O|       | n | descriptor | descriptor | …
//	+-----+-----+-----+------+---------+---+------------+------------+----
//	                                         type, length, length bytes
func ParseSense(b []byte) (Sense, error) {
	if err := enough("sense data", b, 1); err != nil {
		return Sense{}, err
	}
	switch code := b[0] & 0x7F; code {
	case 0x70, 0x71:
		return fixedSense(b, code == 0x71)
	case 0x72, 0x73:
		return descriptorSense(b, code == 0x73)
	default:
		return Sense{}, fmt.Errorf("%w: sense data with response code %02Xh", ErrFormat, code)
	}
}

const senseHead = 8

// senseEnd is how much of sense data there is: what came, or what its length says.
func senseEnd(b []byte) []byte {
	if len(b) < senseHead {
		return b
	}
	return b[:min(len(b), senseHead+int(b[7]))]
}

func fixedSense(b []byte, deferred bool) (Sense, error) {
	if err := enough("sense data", b, 3); err != nil {
		return Sense{}, err
	}
	var full [18]byte
	copy(full[:], senseEnd(b))
	return Sense{
		Key: Key(full[2] & 15), ASC: full[12], ASCQ: full[13], Deferred: deferred,
		Valid: has(full[0], 7) && len(b) >= 7, Information: uint64(be.Uint32(full[3:])),
		CommandSpecific: uint64(be.Uint32(full[8:])), FRU: full[14],
		Filemark: has(full[2], 7), EOM: has(full[2], 6), ILI: has(full[2], 5), Overflow: has(full[2], 4),
		Specific: Specific(full[15:]),
	}, nil
}

// The types of sense data descriptors that are read.
const (
	infoDescriptor     = 0x00
	commandDescriptor  = 0x01
	specificDescriptor = 0x02
	fruDescriptor      = 0x03
	streamDescriptor   = 0x04 // filemark, EOM, ILI
	blockDescriptor    = 0x05 // ILI
)

func descriptorSense(b []byte, deferred bool) (Sense, error) {
	if err := enough("sense data", b, 2); err != nil {
		return Sense{}, err
	}
	var head [senseHead]byte
	copy(head[:], b)
	s := Sense{Key: Key(head[1] & 15), ASC: head[2], ASCQ: head[3], Deferred: deferred,
		Overflow: has(head[4], 7), Descriptor: true}
	rest := senseEnd(b)
	for rest = rest[min(senseHead, len(rest)):]; len(rest) >= 2; {
		d := rest[:min(2+int(rest[1]), len(rest))]
		s.take(d)
		rest = rest[len(d):]
	}
	return s, nil
}

// take reads one descriptor; one that is too short for its type says nothing.
func (s *Sense) take(d []byte) {
	switch {
	case d[0] == infoDescriptor && len(d) >= 12:
		s.Valid, s.Information = has(d[2], 7), be.Uint64(d[4:])
	case d[0] == commandDescriptor && len(d) >= 12:
		s.CommandSpecific = be.Uint64(d[4:])
	case d[0] == specificDescriptor && len(d) >= 7:
		s.Specific = Specific(d[4:7])
	case d[0] == fruDescriptor && len(d) >= 4:
		s.FRU = d[3]
	case d[0] == streamDescriptor && len(d) >= 4:
		s.Filemark, s.EOM, s.ILI = has(d[3], 7), has(d[3], 6), has(d[3], 5)
	case d[0] == blockDescriptor && len(d) >= 4:
		s.ILI = s.ILI || has(d[3], 5)
	}
}

// Append appends the data in the format that Descriptor says. In fixed format
// information of more than 32 bits is left out, as SPC wants it, and so is not
// valid.
func (s Sense) Append(b []byte) []byte {
	if s.Descriptor {
		return s.appendDescriptors(b)
	}
	b, h := grow(b, 18)
	h[0] = 0x70 | flag(s.Deferred, 0)
	if s.Information <= 0xFFFFFFFF {
		h[0] |= flag(s.Valid, 7)
		be.PutUint32(h[3:], uint32(s.Information))
	}
	h[2] = flag(s.Filemark, 7) | flag(s.EOM, 6) | flag(s.ILI, 5) | flag(s.Overflow, 4) | byte(s.Key&15)
	h[7] = 18 - senseHead
	if s.CommandSpecific <= 0xFFFFFFFF {
		be.PutUint32(h[8:], uint32(s.CommandSpecific))
	}
	h[12], h[13], h[14] = s.ASC, s.ASCQ, s.FRU
	copy(h[15:], s.Specific[:])
	return b
}

func (s Sense) appendDescriptors(b []byte) []byte {
	at := len(b)
	b = append(b, 0x72|flag(s.Deferred, 0), byte(s.Key&15), s.ASC, s.ASCQ, flag(s.Overflow, 7), 0, 0, 0)
	if s.Valid || s.Information != 0 {
		b = be.AppendUint64(append(b, infoDescriptor, 10, flag(s.Valid, 7), 0), s.Information)
	}
	if s.CommandSpecific != 0 {
		b = be.AppendUint64(append(b, commandDescriptor, 10, 0, 0), s.CommandSpecific)
	}
	if s.Specific != (Specific{}) {
		b = append(b, specificDescriptor, 6, 0, 0, s.Specific[0], s.Specific[1], s.Specific[2], 0)
	}
	if s.FRU != 0 {
		b = append(b, fruDescriptor, 2, 0, s.FRU)
	}
	switch {
	case s.Filemark || s.EOM:
		b = append(b, streamDescriptor, 2, 0, flag(s.Filemark, 7)|flag(s.EOM, 6)|flag(s.ILI, 5))
	case s.ILI:
		b = append(b, blockDescriptor, 2, 0, flag(s.ILI, 5))
	}
	b[at+7] = byte(len(b) - at - senseHead)
	return b
}

// LBA is the failing block of a read, where the drive says it.
func (s Sense) LBA() (lba int64, ok bool) {
	return int64(s.Information), s.Valid && s.Information <= 0xFFFFFFFF
}

// Progress is how far the drive is with what makes it not ready, in 65,536ths.
func (s Sense) Progress() (part uint16, ok bool) {
	return s.number(), has(s.Specific[0], 7) && (s.Key == NoSense || s.Key == NotReadyKey)
}

// Retries is how often the drive tried, where it says so.
func (s Sense) Retries() (n uint16, ok bool) {
	return s.number(), has(s.Specific[0], 7) &&
		(s.Key == RecoveredError || s.Key == MediumError || s.Key == HardwareError)
}

// Field is which byte the drive refuses, of the command or of the list that went
// with it.
func (s Sense) Field() (inCommand bool, at uint16, ok bool) {
	return has(s.Specific[0], 6), s.number(), has(s.Specific[0], 7) && s.Key == IllegalRequest
}

func (s Sense) number() uint16 { return be.Uint16(s.Specific[1:]) }

// ProgressPart is Specific for Progress.
func ProgressPart(part uint16) Specific { return Specific{1 << 7, byte(part >> 8), byte(part)} }

// FieldPointer is Specific for Field.
func FieldPointer(inCommand bool, at int) Specific {
	return Specific{1<<7 | flag(inCommand, 6), byte(at >> 8), byte(at)}
}

// Code is key, ASC and ASCQ in the trade's form, "3/11/05".
func (s Sense) Code() string { return fmt.Sprintf("%X/%02X/%02X", byte(s.Key), s.ASC, s.ASCQ) }

// String is the code in words, "3/11/05 L-EC uncorrectable error at 200000".
func (s Sense) String() string {
	out := s.Code() + " " + s.Text()
	if lba, ok := s.LBA(); ok {
		out += fmt.Sprintf(" at %d", lba)
	}
	if s.Deferred {
		out += ", of an earlier command"
	}
	return out
}
