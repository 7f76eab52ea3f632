package mapfile

import (
	"math/bits"
	"time"
)

// TimeClass is a length of time in one byte, on a logarithmic scale. Class 0 is
// less than a microsecond, or not known. Class c from 1 on begins at
//
//	2^((c-1)/8) microseconds
//
// and ends where the next begins, 9 % above; class 255 begins after an hour
// (3,612 s) and takes all that is longer.
type TimeClass uint8

// eighths are the beginnings of the eight classes of an octave, 2^(k/8), in
// units of 2^-16.
var eighths = [8]uint64{65536, 71468, 77936, 84990, 92682, 101070, 110218, 120194}

// floor is where class c begins, in nanoseconds times 2^16.
func (c TimeClass) floor() uint64 {
	if c == 0 {
		return 0
	}
	return eighths[(c-1)%8] * uint64(time.Microsecond) << ((c - 1) / 8)
}

// ClassOf is the class that d belongs to.
func ClassOf(d time.Duration) TimeClass {
	if d < time.Microsecond {
		return 0
	}
	if d >= time.Duration(TimeClass(255).floor()>>16) {
		return 255
	}
	octave := bits.Len64(uint64(d/time.Microsecond)) - 1
	c := TimeClass(octave*8 + 1)
	for c < 255 && (c+1).floor() <= uint64(d)<<16 {
		c++
	}
	return c
}

// Duration is the middle of the class, less than 5 % from any time in it; for
// class 255 its beginning, for class 0 nothing.
func (c TimeClass) Duration() time.Duration {
	switch c {
	case 0:
		return 0
	case 255:
		return time.Duration(c.floor() >> 16)
	}
	return time.Duration((c.floor() + (c + 1).floor()) >> 17)
}
