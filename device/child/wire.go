package child

import (
	"encoding/binary"
	"fmt"
	"io"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// The messages, all numbers little endian:
//
//	request   0 op  1 slot  2 (0)  4 length  8 first sector  16 sectors     24 + length
//	answer    0 op  1 slot  2 flags  3 class  4 sense key, ASC, ASCQ, (0)
//	          8 errno  12 length  16 good  24 took  32 at                   40 + length
//
// An answer has the op of its request. Behind the fixed part come length bytes:
//
//	op        request                       answer          answer that failed
//	opOpen    spec                          Info, as JSON   openFailure, as JSON
//	opRead    –                             –               words
//	opCall    op word, a zero, argument     result          words
const (
	requestSize = 24
	answerSize  = 40
	// maxPayload bounds what follows a message: 1 MiB. The longest thing that a
	// drive has to say is 64 KiB (16-bit allocation lengths, SPC).
	maxPayload = 1 << 20
)

const (
	opOpen = iota + 1
	opRead
	opCall
)

const (
	flagFailed      = 1 << iota
	flagUnsupported // the error of a call is device.ErrUnsupported
	flagsKnown      = flagFailed | flagUnsupported
)

type request struct {
	op      uint8
	slot    uint8
	sectors sector.Range
	payload []byte
}

type answer struct {
	op      uint8
	slot    uint8
	flags   uint8
	class   device.Class
	sense   device.Sense
	errno   uint32
	good    int64
	took    time.Duration
	at      sector.LBA
	payload []byte
}

func (q request) append(b []byte) []byte {
	b = append(b, q.op, q.slot, 0, 0)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(q.payload)))
	b = binary.LittleEndian.AppendUint64(b, uint64(q.sectors.First))
	b = binary.LittleEndian.AppendUint64(b, uint64(q.sectors.Count()))
	return append(b, q.payload...)
}

// readRequest reads one request. The error is io.EOF where the pipe ends between
// two messages.
func readRequest(r io.Reader) (request, error) {
	var b [requestSize]byte
	if _, err := io.ReadFull(r, b[:]); err != nil {
		return request{}, err
	}
	first := binary.LittleEndian.Uint64(b[8:])
	count := binary.LittleEndian.Uint64(b[16:])
	if b[0] < opOpen || b[0] > opCall || b[2] != 0 || b[3] != 0 || first > maxSector || count > maxSector {
		return request{}, fmt.Errorf("child: no request begins with % x", b)
	}
	payload, err := readPayload(r, b[4:])
	return request{b[0], b[1], sector.Span(sector.LBA(first), int64(count)), payload}, err
}

// maxSector bounds the addresses and counts of messages, so that no sum of them
// overflows.
const maxSector = 1 << 50

func (a answer) append(b []byte) []byte {
	b = append(b, a.op, a.slot, a.flags, uint8(a.class), a.sense.Key, a.sense.ASC, a.sense.ASCQ, 0)
	b = binary.LittleEndian.AppendUint32(b, a.errno)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(a.payload)))
	b = binary.LittleEndian.AppendUint64(b, uint64(a.good))
	b = binary.LittleEndian.AppendUint64(b, uint64(a.took))
	b = binary.LittleEndian.AppendUint64(b, uint64(a.at))
	return append(b, a.payload...)
}

// readAnswer reads one answer. The error is io.EOF where the pipe ends between
// two messages.
func readAnswer(r io.Reader) (answer, error) {
	var b [answerSize]byte
	if _, err := io.ReadFull(r, b[:]); err != nil {
		return answer{}, err
	}
	a := answer{
		op: b[0], slot: b[1], flags: b[2], class: device.Class(b[3]),
		sense: device.Sense{Key: b[4], ASC: b[5], ASCQ: b[6]},
		errno: binary.LittleEndian.Uint32(b[8:]),
		good:  int64(binary.LittleEndian.Uint64(b[16:])),
		took:  time.Duration(binary.LittleEndian.Uint64(b[24:])),
		at:    sector.LBA(binary.LittleEndian.Uint64(b[32:])),
	}
	if a.op < opOpen || a.op > opCall || a.flags&^flagsKnown != 0 || b[7] != 0 ||
		a.class > device.Refused || a.good < 0 || a.good > maxSector || a.took < 0 || a.at < -1 || a.at > maxSector {
		return answer{}, fmt.Errorf("child: no answer begins with % x", b)
	}
	var err error
	a.payload, err = readPayload(r, b[12:])
	return a, err
}

// readPayload reads the bytes behind a message; length is the place in it that
// tells their number.
func readPayload(r io.Reader, length []byte) ([]byte, error) {
	n := binary.LittleEndian.Uint32(length)
	if n == 0 {
		return nil, nil
	}
	if n > maxPayload {
		return nil, fmt.Errorf("child: a message with %d bytes behind it", n)
	}
	b := make([]byte, n)
	if _, err := io.ReadFull(r, b); err != nil {
		return nil, io.ErrUnexpectedEOF
	}
	return b, nil
}

// openFailure is a device.OpenError on its way; its errno is the answer's.
type openFailure struct {
	Node, What, Cure string
	NoDisc           bool
}

// geometry is how the mapping is divided: a page in which the parent says what is
// enough, a page for the trail of each slot, and the slots, of whole pages, one more
// than requests may wait.
//
//	│ enough │ trail │ trail │ trail │ slot │ slot │ slot │
//
// Enough is the number of a request: it and those before are not to be gone on with.
type geometry struct{ slots, slotBytes int }

const (
	pageBytes = 4096
	// Bounds of what an opener may claim. A mapping is at most 17 slots of 8 MiB.
	maxDepth   = 16
	maxRequest = 4096 // sectors
)

func divide(i device.Info) (geometry, error) {
	switch {
	case i.Depth < 1 || i.Depth > maxDepth:
		return geometry{}, fmt.Errorf("child: a drive of depth %d; want 1 to %d", i.Depth, maxDepth)
	case i.MaxSectors < 1 || i.MaxSectors > maxRequest:
		return geometry{}, fmt.Errorf("child: a drive that takes %d sectors a request; want 1 to %d", i.MaxSectors, maxRequest)
	}
	bytes := i.MaxSectors * sector.Size
	return geometry{i.Depth + 1, (bytes + pageBytes - 1) / pageBytes * pageBytes}, nil
}

// headBytes is what lies in front of the slots.
func (g geometry) headBytes() int { return (1 + g.slots) * pageBytes }

func (g geometry) size() int { return g.headBytes() + g.slots*g.slotBytes }

// trail is that of a slot; head is the mapping, or its front alone.
func (g geometry) trail(head []byte, slot uint8) trail {
	return words(head[(1+int(slot))*pageBytes:][:pageBytes])
}

// slot is the part of the mapping that one request of n bytes uses.
func (g geometry) slot(mapping []byte, slot uint8, n int64) ([]byte, error) {
	if int(slot) >= g.slots || n < 0 || n > int64(g.slotBytes) {
		return nil, fmt.Errorf("child: %d bytes in slot %d of %d slots of %d bytes", n, slot, g.slots, g.slotBytes)
	}
	at := g.headBytes() + int(slot)*g.slotBytes
	return mapping[at : at+int(n) : at+int(n)], nil
}
