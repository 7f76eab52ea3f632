package scsi

// ReadDiscInformation asks what is recorded, session-wise; see [DiscInformation].
type ReadDiscInformation struct {
	Type  uint8 // 3 bits; 0 standard
	Alloc uint16
}

// DiscInformationLen is the response's length without OPC entries.
const DiscInformationLen = 34

func (r ReadDiscInformation) Command() Command {
	c := build(OpReadDiscInformation, FromUnit, int64(r.Alloc))
	c.cdb[1] = r.Type & 7
	be.PutUint16(c.cdb[7:], r.Alloc)
	return c
}

func decodeReadDiscInformation(c []byte) Request {
	return ReadDiscInformation{Type: c[1] & 7, Alloc: be.Uint16(c[7:])}
}

// DiscState is how far a disc is recorded.
type DiscState uint8

const (
	Blank DiscState = iota
	Appendable
	Finalized
	OtherState // random access, as DVD-RAM
)

// SessionState is how far the last session is recorded.
type SessionState uint8

const (
	EmptySession SessionState = iota
	IncompleteSession
	DamagedSession // "reserved or damaged"
	CompleteSession
)

// DiscInformation is the response to READ DISC INFORMATION, standard data
// (linux/cdrom.h, disc_information).
type DiscInformation struct {
	Erasable    bool
	LastSession SessionState
	Disc        DiscState
	FirstTrack  uint8  // the disc's first
	Sessions    uint16 // their number
	LastFirst   uint16 // first track of the last session
	LastLast    uint16 // last track of the last session
	DiscIDValid bool   // DID_V
	BarCodeOK   bool   // DBC_V
	Unrestrict  bool   // URU: unrestricted use
	Dirty       bool   // Dbit: an MRW structure is not up to date
	Background  uint8  // state of formatting in the background: 0 none, 1 begun, 2 under way, 3 done
	DiscType    uint8  // 00h CD-DA or CD-ROM, 10h CD-I, 20h CD-ROM XA, FFh none [memory]
	DiscID      uint32
	LeadIn      uint32 // where the last session's begins
	LeadOut     uint32 // the last possible place
	BarCode     [8]byte
	OPC         uint8 // number of power calibration entries; themselves not read
}

// ParseDiscInformation reads the response. ErrShort is returned below 32 bytes,
// ErrTruncated where only OPC did not come.
func ParseDiscInformation(b []byte) (DiscInformation, error) {
	b, err := claimed16("disc information", b, 32, DiscInformationLen)
	if b == nil {
		return DiscInformation{}, err
	}
	d := DiscInformation{
		Erasable: has(b[2], 4), LastSession: SessionState(b[2] >> 2 & 3), Disc: DiscState(b[2] & 3),
		FirstTrack:  b[3],
		Sessions:    uint16(b[9])<<8 | uint16(b[4]),
		LastFirst:   uint16(b[10])<<8 | uint16(b[5]),
		LastLast:    uint16(b[11])<<8 | uint16(b[6]),
		DiscIDValid: has(b[7], 7), BarCodeOK: has(b[7], 6), Unrestrict: has(b[7], 5),
		Dirty: has(b[7], 2), Background: b[7] & 3,
		DiscType: b[8], DiscID: be.Uint32(b[12:]), LeadIn: be.Uint32(b[16:]), LeadOut: be.Uint32(b[20:]),
		BarCode: [8]byte(b[24:]),
	}
	if len(b) >= DiscInformationLen {
		d.OPC = b[33]
	}
	return d, err
}

// Append appends the response, with no OPC entries.
func (d DiscInformation) Append(b []byte) []byte {
	at := len(b)
	b, h := grow(b, DiscInformationLen)
	h[2] = flag(d.Erasable, 4) | byte(d.LastSession&3)<<2 | byte(d.Disc&3)
	h[3] = d.FirstTrack
	h[4], h[9] = byte(d.Sessions), byte(d.Sessions>>8)
	h[5], h[10] = byte(d.LastFirst), byte(d.LastFirst>>8)
	h[6], h[11] = byte(d.LastLast), byte(d.LastLast>>8)
	h[7] = flag(d.DiscIDValid, 7) | flag(d.BarCodeOK, 6) | flag(d.Unrestrict, 5) | flag(d.Dirty, 2) | d.Background&3
	h[8] = d.DiscType
	be.PutUint32(h[12:], d.DiscID)
	be.PutUint32(h[16:], d.LeadIn)
	be.PutUint32(h[20:], d.LeadOut)
	copy(h[24:], d.BarCode[:])
	h[33] = d.OPC
	return setLength16(b, at)
}
