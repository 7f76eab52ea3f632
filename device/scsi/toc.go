package scsi

// ReadTOC asks for the table of contents. On a DVD the drive makes one up (MMC-5,
// 6.26.3.2.4).
type ReadTOC struct {
	MSF    bool      // addresses as [MSF], else LBA
	Format TOCFormat // 4 bits
	Number uint8     // first track, or with FullTOC first session, wanted
	Alloc  uint16
}

// TOCFormat is which of the forms READ TOC/PMA/ATIP answers in.
type TOCFormat uint8

const (
	Tracks   TOCFormat = iota // see [ParseTOC]
	Sessions                  // see [ParseSessions]
	FullTOC                   // see [ParseFullTOC]
)

func (r ReadTOC) Command() Command {
	c := build(OpReadTOC, FromUnit, int64(r.Alloc))
	c.cdb[1], c.cdb[2], c.cdb[6] = flag(r.MSF, 1), byte(r.Format&15), r.Number
	be.PutUint16(c.cdb[7:], r.Alloc)
	return c
}

func decodeReadTOC(c []byte) Request {
	return ReadTOC{MSF: has(c[1], 1), Format: TOCFormat(c[2] & 15), Number: c[6], Alloc: be.Uint16(c[7:])}
}

// LeadOutTrack is the number under which the lead-out stands among the tracks.
const LeadOutTrack = 0xAA

// TOC is the table of contents, format 0.
type TOC struct {
	First, Last uint8 // track numbers
	Tracks      []TOCTrack
}

// TOCTrack is where one track begins [layout: memory].
type TOCTrack struct {
	ADR     uint8 // 4 bits; 1: address
	Control uint8 // 4 bits; see Data
	Number  uint8 // LeadOutTrack for the lead-out
	Address uint32
	// Address is an LBA, or, where MSF was asked for, 0, M, S and F from the
	// highest byte down: see AddressMSF.
}

// Data tells whether it is a track of data, not of sound.
func (t TOCTrack) Data() bool { return has(t.Control, 2) }

const (
	tocHead  = 4
	trackLen = 8
	pointLen = 11
)

func (t TOCTrack) append(b []byte) []byte {
	return be.AppendUint32(append(b, 0, t.ADR<<4|t.Control&15, t.Number, 0), t.Address)
}

func tocTrack(b []byte) TOCTrack {
	return TOCTrack{ADR: b[1] >> 4, Control: b[1] & 15, Number: b[2], Address: be.Uint32(b[4:])}
}

// ParseTOC reads the table of contents, format 0. ErrShort is returned below 4
// bytes, ErrTruncated with the tracks that came.
func ParseTOC(b []byte) (TOC, error) {
	b, err := claimed16("table of contents", b, tocHead, longest16)
	if b == nil {
		return TOC{}, err
	}
	t := TOC{First: b[2], Last: b[3]}
	for e := b[tocHead:]; len(e) >= trackLen; e = e[trackLen:] {
		t.Tracks = append(t.Tracks, tocTrack(e))
	}
	return t, err
}

// Append appends the response; as many tracks as its length allows.
func (t TOC) Append(b []byte) []byte {
	at := len(b)
	b = append(b, 0, 0, t.First, t.Last)
	for _, e := range t.Tracks[:min(len(t.Tracks), room(tocHead, trackLen))] {
		b = e.append(b)
	}
	return setLength16(b, at)
}

// SessionInfo is where the last session begins, format 1.
type SessionInfo struct {
	First, Last uint8    // complete sessions
	Track       TOCTrack // the first of the last session
}

// ParseSessions reads format 1. ErrShort is returned below 12 bytes.
func ParseSessions(b []byte) (SessionInfo, error) {
	b, err := claimed16("sessions", b, tocHead+trackLen, tocHead+trackLen)
	if b == nil {
		return SessionInfo{}, err
	}
	return SessionInfo{b[2], b[3], tocTrack(b[tocHead:])}, err
}

// Append appends the response.
func (s SessionInfo) Append(b []byte) []byte {
	return setLength16(s.Track.append(append(b, 0, 0, s.First, s.Last)), len(b))
}

// FullTable is format 2: what stands in the lead-ins, entry by entry.
type FullTable struct {
	First, Last uint8 // complete sessions
	Points      []TOCPoint
}

// TOCPoint is one entry of the lead-in's Q sub-channel [layout: memory].
type TOCPoint struct {
	Session uint8
	ADR     uint8 // 4 bits
	Control uint8 // 4 bits
	Track   uint8 // TNO, 0 in the lead-in
	Point   uint8 // a track number, or A0h first track, A1h last track, A2h lead-out
	Time    MSF
	Zero    uint8
	P       MSF // where the point lies; for A0h and A1h P.M is the track's number
}

// ParseFullTOC reads format 2. ErrShort is returned below 4 bytes, ErrTruncated
// with the points that came.
func ParseFullTOC(b []byte) (FullTable, error) {
	b, err := claimed16("full table of contents", b, tocHead, longest16)
	if b == nil {
		return FullTable{}, err
	}
	t := FullTable{First: b[2], Last: b[3]}
	for e := b[tocHead:]; len(e) >= pointLen; e = e[pointLen:] {
		t.Points = append(t.Points, TOCPoint{
			Session: e[0], ADR: e[1] >> 4, Control: e[1] & 15, Track: e[2], Point: e[3],
			Time: MSF{e[4], e[5], e[6]}, Zero: e[7], P: MSF{e[8], e[9], e[10]},
		})
	}
	return t, err
}

// Append appends the response; as many points as its length allows.
func (t FullTable) Append(b []byte) []byte {
	at := len(b)
	b = append(b, 0, 0, t.First, t.Last)
	for _, p := range t.Points[:min(len(t.Points), room(tocHead, pointLen))] {
		b = append(b, p.Session, p.ADR<<4|p.Control&15, p.Track, p.Point,
			p.Time.M, p.Time.S, p.Time.F, p.Zero, p.P.M, p.P.S, p.P.F)
	}
	return setLength16(b, at)
}

// MSF is a place on a CD in minutes, seconds and frames of 1/75 second.
type MSF struct{ M, S, F uint8 }

// LBA is the place as a block's number; two seconds come before the first
// (ECMA-130: linux/cdrom.h, CD_MSF_OFFSET 150).
func (m MSF) LBA() int32 { return (int32(m.M)*60+int32(m.S))*75 + int32(m.F) - 150 }

// MSFOf is a block's place; zero below 00:00:00 and beyond 255 minutes.
func MSFOf(lba int32) MSF {
	f := int64(lba) + 150
	if f < 0 || f >= 256*60*75 {
		return MSF{}
	}
	return MSF{uint8(f / 75 / 60), uint8(f / 75 % 60), uint8(f % 75)}
}

// AddressMSF is an address as READ TOC gives it with MSF.
func AddressMSF(a uint32) MSF { return MSF{uint8(a >> 16), uint8(a >> 8), uint8(a)} }

// Address is the place as READ TOC gives it with MSF.
func (m MSF) Address() uint32 { return uint32(m.M)<<16 | uint32(m.S)<<8 | uint32(m.F) }
