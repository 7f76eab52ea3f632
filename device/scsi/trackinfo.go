package scsi

// ReadTrackInformation asks what is recorded of one track (on a DVD: border or
// RZone); see [TrackInformation].
type ReadTrackInformation struct {
	By     TrackAddress // 2 bits
	Number uint32       // an LBA, a track or a session
	Alloc  uint16
}

// TrackAddress is by what a track is named [codes: memory].
type TrackAddress uint8

const (
	ByLBA TrackAddress = iota
	ByTrack
	BySession
)

// InvisibleTrack is the number of the track that can be appended to [memory].
const InvisibleTrack = 0xFF

// TrackInformationLen is the length of what is read of the response.
const TrackInformationLen = 36

func (r ReadTrackInformation) Command() Command {
	c := build(OpReadTrackInformation, FromUnit, int64(r.Alloc))
	c.cdb[1] = byte(r.By & 3)
	be.PutUint32(c.cdb[2:], r.Number)
	be.PutUint16(c.cdb[7:], r.Alloc)
	return c
}

func decodeReadTrackInformation(c []byte) Request {
	return ReadTrackInformation{TrackAddress(c[1] & 3), be.Uint32(c[2:]), be.Uint16(c[7:])}
}

// TrackInformation is the response to READ TRACK INFORMATION (linux/cdrom.h,
// track_information; bytes 32 and 33 [memory]).
type TrackInformation struct {
	Track, Session    uint16
	Damage            bool  // the track was not closed as it should
	Copy              bool  // second or higher copy
	TrackMode         uint8 // 4 bits; control, as in the table of contents
	Reserved          bool  // RT
	Blank             bool  // nothing is recorded in it
	Packet            bool  // written in packets
	FixedPacket       bool  // FP: all packets of PacketSize
	DataMode          uint8 // 4 bits; 1, 2, 15 none
	LastRecordedValid bool  // LRA_V
	NextWritableValid bool  // NWA_V
	Start             uint32
	NextWritable      uint32
	Free              uint32
	PacketSize        uint32 // blocks
	Size              uint32 // blocks
	LastRecorded      uint32 // LBA; said only with LastRecordedValid
}

// ParseTrackInformation reads the response. ErrShort is returned below 28 bytes,
// ErrTruncated with what came below what the drive has; without the four bytes
// that follow, LastRecorded is not valid.
func ParseTrackInformation(b []byte) (TrackInformation, error) {
	b, err := claimed16("track information", b, 28, TrackInformationLen)
	if b == nil {
		return TrackInformation{}, err
	}
	t := TrackInformation{
		Track: uint16(b[2]), Session: uint16(b[3]),
		Damage: has(b[5], 5), Copy: has(b[5], 4), TrackMode: b[5] & 15,
		Reserved: has(b[6], 7), Blank: has(b[6], 6), Packet: has(b[6], 5), FixedPacket: has(b[6], 4), DataMode: b[6] & 15,
		LastRecordedValid: has(b[7], 1), NextWritableValid: has(b[7], 0),
		Start: be.Uint32(b[8:]), NextWritable: be.Uint32(b[12:]), Free: be.Uint32(b[16:]),
		PacketSize: be.Uint32(b[20:]), Size: be.Uint32(b[24:]),
	}
	if len(b) >= 32 {
		t.LastRecorded = be.Uint32(b[28:])
	} else {
		t.LastRecordedValid = false
	}
	if len(b) >= 34 {
		t.Track |= uint16(b[32]) << 8
		t.Session |= uint16(b[33]) << 8
	}
	return t, err
}

// Append appends the response.
func (t TrackInformation) Append(b []byte) []byte {
	at := len(b)
	b, h := grow(b, TrackInformationLen)
	h[2], h[32] = byte(t.Track), byte(t.Track>>8)
	h[3], h[33] = byte(t.Session), byte(t.Session>>8)
	h[5] = flag(t.Damage, 5) | flag(t.Copy, 4) | t.TrackMode&15
	h[6] = flag(t.Reserved, 7) | flag(t.Blank, 6) | flag(t.Packet, 5) | flag(t.FixedPacket, 4) | t.DataMode&15
	h[7] = flag(t.LastRecordedValid, 1) | flag(t.NextWritableValid, 0)
	for i, v := range []uint32{t.Start, t.NextWritable, t.Free, t.PacketSize, t.Size, t.LastRecorded} {
		be.PutUint32(h[8+4*i:], v)
	}
	return setLength16(b, at)
}
