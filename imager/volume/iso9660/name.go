package iso9660

import (
	"encoding/binary"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// text is bytes of no stated encoding: UTF-8 where they are that, else Latin-1.
func text(b []byte) string {
	if utf8.Valid(b) {
		return string(b)
	}
	r := make([]rune, len(b))
	for i, c := range b {
		r[i] = rune(c)
	}
	return string(r)
}

// wide is big-endian UTF-16; half a character at the end is dropped.
func wide(b []byte) string {
	u := make([]uint16, len(b)/2)
	for i := range u {
		u[i] = binary.BigEndian.Uint16(b[2*i:])
	}
	return string(utf16.Decode(u))
}

// name is a file's name as readers show it.
func (d *descriptor) name(b []byte) string {
	s := d.text(b)
	s = strings.TrimSuffix(s, ";1")
	if t := strings.TrimSuffix(s, "."); t != "" && t != "." {
		s = t
	}
	return s
}

func (d *descriptor) text(b []byte) string {
	if d.joliet {
		return wide(b)
	}
	return text(b)
}

// looksWide tells of a directory without its descriptor whether its names are
// Joliet's: all of even length, and most beginning with a zero byte.
func looksWide(names [][]byte) bool {
	zeros := 0
	for _, n := range names {
		if len(n)%2 != 0 {
			return false
		}
		if n[0] == 0 {
			zeros++
		}
	}
	return 2*zeros > len(names)
}
