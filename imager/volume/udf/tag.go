package udf

import (
	"encoding/binary"
)

// Kinds of descriptors (3/7.2.1, 4/7.2.1).
const (
	tagPVD      = 1
	tagAnchor   = 2
	tagPointer  = 3
	tagPD       = 5
	tagLVD      = 6
	tagEnd      = 8
	tagFSD      = 0x100
	tagFID      = 0x101
	tagAED      = 0x102
	tagIndirect = 0x103
	tagFE       = 0x105
	tagEFE      = 0x10A
)

const tagSize = 16

var le = binary.LittleEndian

// anywhere is a location that is not compared.
const anywhere = -1

// tagged is the kind of the descriptor at the front of b, or 0 where none is
// there: its checksum or CRC is wrong, or it belongs at another location.
func tagged(b []byte, location int64) int {
	if len(b) < tagSize {
		return 0
	}
	var sum byte
	for i, c := range b[:tagSize] {
		if i != 4 {
			sum += c
		}
	}
	kind, covered := int(le.Uint16(b)), int(le.Uint16(b[10:]))
	if kind == 0 || sum != b[4] || covered > len(b)-tagSize {
		return 0
	}
	if location != anywhere && int64(le.Uint32(b[12:])) != location {
		return 0
	}
	if crc16(b[tagSize:tagSize+covered]) != le.Uint16(b[8:]) {
		return 0
	}
	return kind
}

// crcTable is by the upper byte of x¹⁶ + x¹² + x⁵ + 1.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ 0x1021
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return t
}()

// crc16 is the CRC of descriptors.
func crc16(b []byte) uint16 {
	var c uint16
	for _, x := range b {
		c = c<<8 ^ crcTable[byte(c>>8)^x]
	}
	return c
}
