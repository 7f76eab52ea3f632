package iso9660

import (
	"encoding/binary"
	"strconv"
	"time"
)

// both32 is a number of 32 bits recorded both ways. Where the two differ it is
// the little-endian one, which readers use, and false.
func both32(b []byte) (uint32, bool) {
	n := binary.LittleEndian.Uint32(b)
	return n, n == binary.BigEndian.Uint32(b[4:])
}

// both16 is both32 for 16 bits.
func both16(b []byte) (uint16, bool) {
	n := binary.LittleEndian.Uint16(b)
	return n, n == binary.BigEndian.Uint16(b[2:])
}

// shortTime is the 7 bytes of clause 9.1.5: years since 1900, month, day, hour,
// minute, second, and quarters of an hour east of Greenwich. The zero time where
// they are none.
func shortTime(b []byte) time.Time {
	return date(1900+int(b[0]), int(b[1]), int(b[2]), int(b[3]), int(b[4]), int(b[5]), 0, int8(b[6]))
}

// longTime is the 17 bytes of clause 8.4.26.1: digits YYYYMMDDHHMMSScc, then the
// quarters of an hour.
func longTime(b []byte) time.Time {
	var n [7]int
	for i, at := range [7][2]int{{0, 4}, {4, 6}, {6, 8}, {8, 10}, {10, 12}, {12, 14}, {14, 16}} {
		v, err := strconv.ParseUint(string(b[at[0]:at[1]]), 10, 16)
		if err != nil {
			return time.Time{}
		}
		n[i] = int(v)
	}
	return date(n[0], n[1], n[2], n[3], n[4], n[5], n[6], int8(b[16]))
}

func date(year, month, day, hour, minute, second, centi int, quarters int8) time.Time {
	if month < 1 || month > 12 || day < 1 || day > 31 || hour > 23 || minute > 59 || second > 60 || centi > 99 {
		return time.Time{}
	}
	if quarters < -52 || quarters > 56 { // beyond what the earth has
		quarters = 0
	}
	t := time.Date(year, time.Month(month), day, hour, minute, second, centi*1e7, time.UTC)
	return t.Add(-time.Duration(quarters) * 15 * time.Minute)
}
