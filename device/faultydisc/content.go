package faultydisc

import (
	"encoding/binary"
	"fmt"
	"io"
	"os"

	"turnstone/device/sector"
)

// Pattern is what the sectors of r hold on a disc without a backing file: no two
// sectors are alike, and each tells its own number. A sector begins with a line
// of text, "sector 1234, seed 7\n", padded with zeros to 64 bytes, which any tool
// shows; the rest is noise that only sector number and seed decide.
func Pattern(seed uint64, r sector.Range) []byte {
	data := make([]byte, r.Bytes())
	for a := r.First; a < r.End; a++ {
		fillPattern(data[(a - r.First).Offset():][:sector.Size], seed, a)
	}
	return data
}

// headSize is the room of the text at the start of a pattern sector.
const headSize = 64

// fillPattern writes the pattern of one sector.
func fillPattern(buf []byte, seed uint64, a sector.LBA) {
	clear(buf[:headSize])
	copy(buf, fmt.Sprintf("sector %d, seed %d\n", a, seed))
	// SplitMix64 (Steele, Lea, Flood, OOPSLA 2014), from a start of its own for
	// each sector. The start is mixed once: else neighbours would share words.
	state := mix(seed + mix(uint64(a)))
	for i := headSize; i < sector.Size; i += 8 {
		state += 0x9E3779B97F4A7C15
		binary.LittleEndian.PutUint64(buf[i:], mix(state))
	}
}

// mix is the output function of SplitMix64, a bijection.
func mix(z uint64) uint64 {
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	return z ^ z>>31
}

// content is what a disc holds: a backing file, or the pattern.
type content struct {
	seed    uint64
	backing *os.File // nil for the pattern
}

// read fills buf with the sectors from first on.
func (c content) read(buf []byte, first sector.LBA) error {
	if c.backing != nil {
		_, err := c.backing.ReadAt(buf, first.Offset())
		if err == io.EOF {
			err = io.ErrUnexpectedEOF // the file was cut while it served
		}
		return err
	}
	for i := 0; i < len(buf); i += sector.Size {
		fillPattern(buf[i:i+sector.Size], c.seed, first+sector.LBA(i/sector.Size))
	}
	return nil
}
