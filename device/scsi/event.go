package scsi

import "fmt"

// GetEventStatus asks for an event. Only polled is of use: the other way the
// command waits.
type GetEventStatus struct {
	Polled  bool
	Classes uint8 // a bit for each class; [MediaClass]
	Alloc   uint16
}

// MediaClass is the bit of the class of events about the disc, class 4.
const MediaClass = 1 << mediaClass

const (
	mediaClass    = 4
	eventHead     = 4
	MediaEventLen = 8 // the response for the class of the disc
)

func (r GetEventStatus) Command() Command {
	c := build(OpGetEventStatus, FromUnit, int64(r.Alloc))
	c.cdb[1], c.cdb[4] = flag(r.Polled, 0), r.Classes
	be.PutUint16(c.cdb[7:], r.Alloc)
	return c
}

func decodeGetEventStatus(c []byte) Request {
	return GetEventStatus{Polled: has(c[1], 0), Classes: c[4], Alloc: be.Uint16(c[7:])}
}

// MediaEvent is what happened to the disc.
type MediaEvent uint8

const (
	NoEvent      MediaEvent = iota
	EjectRequest            // somebody pressed the button
	NewMedium
	Removal
)

// MediaStatus is the response to GET EVENT STATUS NOTIFICATION for the class of
// the disc (Linux, include/linux/cdrom.h: event_header,
// media_event_desc).
type MediaStatus struct {
	None      bool  // NEA: no such class; nothing below is said
	Supported uint8 // a bit for each class that the drive has
	Event     MediaEvent
	DoorOpen  bool
	Present   bool // a disc is in
	FirstSlot uint8
	LastSlot  uint8
}

// ParseMediaStatus reads the response. Its length is that of what follows the length
// itself, 6 bytes; drives that count the descriptor's 4 alone are understood as well
// (QEMU's do, and Linux takes both: sr.c, sr_get_events). ErrShort is returned below 4
// bytes, and below 8 where there is an event; ErrFormat when it is of another class.
func ParseMediaStatus(b []byte) (MediaStatus, error) {
	if err := enough("event status", b, eventHead); err != nil {
		return MediaStatus{}, err
	}
	s := MediaStatus{None: has(b[2], 7), Supported: b[3]}
	if s.None {
		return s, nil
	}
	if class := b[2] & 7; class != mediaClass {
		return MediaStatus{}, fmt.Errorf("%w: event of class %d; want %d", ErrFormat, class, mediaClass)
	}
	descriptor := int(be.Uint16(b)) == MediaEventLen-eventHead && len(b) >= MediaEventLen
	if _, err := claimed16("event status", b, MediaEventLen, MediaEventLen); err != nil && !descriptor {
		return MediaStatus{}, err
	}
	s.Event, s.DoorOpen, s.Present = MediaEvent(b[4]&15), has(b[5], 0), has(b[5], 1)
	s.FirstSlot, s.LastSlot = b[6], b[7]
	return s, nil
}

// Append appends the response.
func (s MediaStatus) Append(b []byte) []byte {
	at := len(b)
	if s.None {
		return setLength16(append(b, 0, 0, 1<<7, s.Supported), at)
	}
	return setLength16(append(b, 0, 0, mediaClass, s.Supported, byte(s.Event&15),
		flag(s.DoorOpen, 0)|flag(s.Present, 1), s.FirstSlot, s.LastSlot), at)
}
