package dvd

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// ErrLength is returned when a frame, a block or a sector's data isn't as long as
// this package's sizes say.
var ErrLength = errors.New("dvd: wrong length")

// ErrSector is returned when a block is asked for a sector that isn't 0 to 15.
var ErrSector = errors.New("dvd: no such sector in a block")

// Sizes of a data frame and its parts, in bytes.
const (
	MainSize  = 2048 // a sector's user data
	FrameSize = 2064

	idSize  = 4
	iedSize = 2
	cprSize = 6
	edcSize = 4
	cprAt   = idSize + iedSize
	mainAt  = cprAt + cprSize
	edcAt   = mainAt + MainSize
)

// BuildFrame writes the frame of one sector: 2064 bytes into frame, from its ID,
// its copyright management information and its 2048 bytes of user data, which may
// lie in frame already. ErrLength is returned when frame or main has another
// length.
func BuildFrame(frame []byte, id ID, cpr [6]byte, main []byte) error {
	if len(frame) != FrameSize || len(main) != MainSize {
		return fmt.Errorf("%w: a frame of %d bytes for %d of user data; they have %d and %d",
			ErrLength, len(frame), len(main), FrameSize, MainSize)
	}
	copy(frame[mainAt:], main) // first, since it may overlap with what follows
	id.put(frame)
	copy(frame[cprAt:], cpr[:])
	binary.BigEndian.PutUint32(frame[edcAt:], EDC(frame[:edcAt]))
	return nil
}

// Main is the sector's user data within an unscrambled frame, nil where the frame
// hasn't the length of one.
func Main(frame []byte) []byte {
	if len(frame) != FrameSize {
		return nil
	}
	return frame[mainAt:edcAt]
}

// CheckFrame tells what an unscrambled frame says of itself: its ID, whether the
// IED belongs to that, and whether the EDC belongs to all of it. ErrLength is
// returned when it hasn't the length of one.
func CheckFrame(frame []byte) (id ID, ied, edc bool, err error) {
	if len(frame) != FrameSize {
		return 0, false, false, fmt.Errorf("%w: a frame of %d bytes; it has %d", ErrLength, len(frame), FrameSize)
	}
	return frameID(frame), iedRight(frame), EDC(frame) == 0, nil
}

// frameID is the ID at a frame's beginning.
func frameID(frame []byte) ID { return ID(binary.BigEndian.Uint32(frame)) }

// iedRight tells whether a frame's IED belongs to its ID.
func iedRight(frame []byte) bool { return idCode.Check(frame[:idSize+iedSize]) }

// edcRight tells whether a scrambled frame's EDC is right. Remainders add up, so
// the frame need not be unscrambled for that: its EDC is the mask's alone. A wrong
// ID may choose a wrong mask; but the ID is under the EDC itself.
func edcRight(scrambled []byte) bool {
	return EDC(scrambled) == masks[frameID(scrambled).preset()].edc
}
