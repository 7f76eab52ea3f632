package scsi

import (
	"encoding/binary"
	"fmt"
	"strings"
)

// Multi-byte fields of SPC and MMC are big-endian, without exception here.
var be = binary.BigEndian

// get24 and put24 are a field of three bytes.
func get24(b []byte) uint32 { return uint32(b[0])<<16 | uint32(be.Uint16(b[1:])) }
func put24(b []byte, v uint32) {
	b[0] = byte(v >> 16)
	be.PutUint16(b[1:], uint16(v))
}

// has tells whether bit n, of 7 to 0, is set.
func has(b byte, n uint) bool { return b>>n&1 == 1 }

// flag is bit n where on.
func flag(on bool, n uint) byte {
	if on {
		return 1 << n
	}
	return 0
}

// enough is ErrShort where less than least bytes came.
func enough(what string, b []byte, least int) error {
	if len(b) < least {
		return fmt.Errorf("%w: %s: %d bytes came; %d are needed", ErrShort, what, len(b), least)
	}
	return nil
}

// claimed is the part of a response that it says it has: the bytes to end, which
// its length field gives. ErrShort is returned when less than least came or is
// claimed, ErrTruncated with what came when less came than is claimed.
func claimed(what string, b []byte, least int, end int64) ([]byte, error) {
	if err := enough(what, b, least); err != nil {
		return nil, err
	}
	switch {
	case end < int64(least):
		return nil, fmt.Errorf("%w: %s: %d bytes are claimed; %d are needed", ErrShort, what, end, least)
	case end > int64(len(b)):
		return b, fmt.Errorf("%w: %s: %d of %d bytes came", ErrTruncated, what, len(b), end)
	}
	return b[:end], nil
}

// claimed16 is claimed for a response that begins with the number of bytes after
// the two of that number itself; least is 2 or more. What there may be beyond most
// is not read.
func claimed16(what string, b []byte, least, most int) ([]byte, error) {
	if err := enough(what, b, least); err != nil {
		return nil, err
	}
	return claimed(what, b, least, min(2+int64(be.Uint16(b)), int64(most)))
}

// longest16 is how long a response may be that says its length in 16 bits.
const longest16 = 2 + 0xFFFF

// claimed32 is claimed16 for a number of four bytes, with no most.
func claimed32(what string, b []byte, least int) ([]byte, error) {
	if err := enough(what, b, least); err != nil {
		return nil, err
	}
	return claimed(what, b, least, 4+int64(be.Uint32(b)))
}

// room is how many entries of a size fit behind a head where a length field of 16
// bits counts all but its own two bytes.
func room(head, each int) int { return (longest16 - head) / each }

// setLength16 writes into the response that begins at b[at] how many bytes follow
// its two of length, and returns b.
func setLength16(b []byte, at int) []byte {
	be.PutUint16(b[at:], uint16(len(b)-at-2))
	return b
}

// text is a field of characters: what can't be printed is a space, and spaces
// around it are none of it (drives pad on either side, and with zeros).
func text(b []byte) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < 0x20 || r > 0x7E {
			return ' '
		}
		return r
	}, string(b)))
}

// putText fills a field of characters with s and spaces.
func putText(field []byte, s string) {
	for i := copy(field, s); i < len(field); i++ {
		field[i] = ' '
	}
}

// grow appends n zero bytes and returns all, and the new ones.
func grow(b []byte, n int) (all, added []byte) {
	all = append(b, make([]byte, n)...)
	return all, all[len(b):]
}
