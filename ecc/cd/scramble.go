package cd

import (
	"crypto/subtle"
	"fmt"
)

// scrambler is the register's output.
var scrambler = func() (s area) {
	r := uint16(1)
	for i := range s {
		for bit := range 8 {
			s[i] |= byte(r&1) << bit
			r = r>>1 | (r^r>>1)&1<<14
		}
	}
	return s
}()

// Scramble scrambles a sector as it is on the disc, or takes that off again: its
// second use undoes the first. ErrLength is returned when the sector is not 2352
// bytes long.
func Scramble(sector []byte) error {
	if len(sector) != Size {
		return fmt.Errorf("%w: a sector of %d bytes", ErrLength, len(sector))
	}
	subtle.XORBytes(sector[headerAt:], sector[headerAt:], scrambler[:])
	return nil
}
