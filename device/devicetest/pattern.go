package devicetest

import (
	"encoding/binary"

	"turnstone/device/sector"
)

// Content tells what a disc holds: it fills buf, sector.Size bytes long, with
// the data of sector a.
type Content func(a sector.LBA, buf []byte)

// Pattern is a content in which every sector is peculiar: it begins with its
// own address (8 bytes, big endian) and goes on with words that depend on it.
func Pattern(a sector.LBA, buf []byte) {
	binary.BigEndian.PutUint64(buf, uint64(a))
	// The multiplier is odd, so that no two sectors get the same words.
	word := uint64(a)*0x9E3779B97F4A7C15 + 1
	for i := 8; i+8 <= len(buf); i += 8 {
		word ^= word << 13
		word ^= word >> 7
		word ^= word << 17
		binary.LittleEndian.PutUint64(buf[i:], word)
	}
}

// Of is the content that a whole image holds; zeros behind its end.
func Of(image []byte) Content {
	return func(a sector.LBA, buf []byte) {
		at := min(a.Offset(), int64(len(image)))
		clear(buf[copy(buf, image[at:]):])
	}
}

// Image is what a disc of that many sectors with this content holds.
func Image(c Content, sectors int64) []byte {
	image := make([]byte, sectors*sector.Size)
	for a := range sector.LBA(sectors) {
		c(a, image[a.Offset():][:sector.Size])
	}
	return image
}
