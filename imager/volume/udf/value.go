package udf

import (
	"time"
	"unicode/utf16"
)

// text is characters as OSTA compresses them (UDF 2.1.1): a byte 8 or 16, then
// bytes or big-endian pairs; 254 and 255 in place of them mark what was deleted.
// False where it is none of these.
func text(b []byte) (string, bool) {
	if len(b) == 0 {
		return "", true
	}
	switch kind, b := b[0], b[1:]; kind {
	case 8, 254:
		r := make([]rune, len(b))
		for i, c := range b {
			r[i] = rune(c)
		}
		return string(r), true
	case 16, 255:
		u := make([]uint16, len(b)/2)
		for i := range u {
			u[i] = uint16(b[2*i])<<8 | uint16(b[2*i+1])
		}
		return string(utf16.Decode(u)), len(b)%2 == 0
	}
	return "", false
}

// dstring is text in a field of fixed size whose last byte is its length (1/7.2.12).
func dstring(b []byte) string {
	n := min(int(b[len(b)-1]), len(b)-1)
	s, _ := text(b[:n])
	return s
}

// timestamp is the 12 bytes of 1/7.3: kind and zone, year, month, day, hour, minute,
// second, hundredths, and finer. The zero time where they are none.
func timestamp(b []byte) time.Time {
	year, month, day := int(int16(le.Uint16(b[2:]))), int(b[4]), int(b[5])
	if month < 1 || month > 12 || day < 1 || day > 31 || b[6] > 23 || b[7] > 59 || b[8] > 60 || b[9] > 99 || b[10] > 99 || b[11] > 99 {
		return time.Time{}
	}
	micro := int(b[9])*10000 + int(b[10])*100 + int(b[11])
	t := time.Date(year, time.Month(month), day, int(b[6]), int(b[7]), int(b[8]), micro*1000, time.UTC)
	zone := int(int16(le.Uint16(b)<<4) >> 4) // the lower 12 bits: minutes east, -2047 for none
	if le.Uint16(b)>>12 != 1 || zone < -1440 || zone > 1440 {
		return t
	}
	return t.Add(-time.Duration(zone) * time.Minute)
}

// address is a block of a partition, by its place among the partition maps.
type address struct {
	block uint32
	part  uint16
}

// longAd is a long allocation descriptor (4/14.14.2): the length with its two
// upper bits apart.
type longAd struct {
	length uint32
	kind   uint8
	at     address
}

func readLong(b []byte) longAd {
	n := le.Uint32(b)
	return longAd{n & (1<<30 - 1), uint8(n >> 30), address{le.Uint32(b[4:]), le.Uint16(b[8:])}}
}
