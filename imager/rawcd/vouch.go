package rawcd

import (
	"bytes"
	"encoding/binary"
	"math/bits"

	"turnstone/ecc/cd"
)

// No code covers the header of a sector of mode 2: that a sector is the one asked for only
// the headers of the readings say that it was made of. Each may be wrong, in two ways.
//
// A header may be that of one sector and what follows it the rest of another, as a drive's
// buffer may hold them. Then the first bytes behind the header are wrong, once the EDC has
// proven what they should be; so a reading has a say only where those are right.
//
// Or a drive reads another sector than it was asked for, and in its header the address comes
// wrong, as any byte may, unnoticed, and by accident as the one asked for. How likely that
// is a reading shows by what it stands by elsewhere:
//
//	│ sync │ address, mode │ n bytes without a pointer, w of them wrong │
//	       └ 3 bytes: each is wrong with a chance of (w + 1) / (n + 2) (Laplace's rule of
//	         succession), and then what was asked for once in 255
//
// So of readings of another sector one has the address asked for with a chance of
// 3 · (w + 1) / (n + 2) / 255 at most, and two that differ from each other with the product
// of both. Up to one in 100,000 that is taken for impossible: one reading is enough that
// stands by half of the sector and has nothing wrong there, and where wrong bytes came
// untold it takes a second one.
const (
	mostDeceit   = 1e-5
	addressBytes = 3
	accidents    = 255 // values that a wrong byte may have

	// What is wrong in a third of what it stands by is of another sector. Invented.
	mostWrongPart = 3

	headerEnd = 16
	// The seam behind which another sector may lie is looked for in the first bytes
	// behind the header; so many of them must have no pointer. Invented.
	seamEnd, fewestAtSeam = headerEnd + 64, 16
)

// vouched tells whether the headers of readings, all of which have come with the address
// asked for and without a pointer, are enough to say that a sector of mode 2 made of them
// is the one asked for.
func vouched(s []byte, readings []Reading) bool {
	deceit := 1.0
	for i, r := range readings {
		near, wrongNear := r.standsBy(s, headerEnd, seamEnd)
		n, wrong := r.standsBy(s, seamEnd, cd.Size)
		n, wrong = n+near, wrong+wrongNear
		if near < fewestAtSeam || wrongNear > 0 || wrong > n/mostWrongPart || again(readings[:i], r) {
			continue
		}
		deceit *= min(1, addressBytes*float64(wrong+1)/float64(n+2)) / accidents
	}
	return deceit <= mostDeceit
}

// A sector of form 2 has an EDC and no parity, so nothing else shows that a vote has gone
// wrong, and of ten million votes on bytes that came wrong untold one was found that had a
// code word of the EDC as its error, in a byte for which three readings said three things.
// Such a sector is upheld by one reading with nothing wrong that it did not point at, or
// else each of its bytes by two that agree.

// upheld tells whether readings uphold a sector of form 2 that was made of them.
func upheld(s []byte, readings []Reading) bool {
	var once, twice [cd.Size / 8]uint64 // of eight bytes each: FFh where so many readings agree
	for i, r := range readings {
		n, wrong := r.standsBy(s, headerEnd, cd.Size)
		if wrong == 0 {
			return true
		}
		if wrong > n/mostWrongPart || again(readings[:i], r) {
			continue
		}
		for at := range once {
			right := r.right(s, 8*at)
			twice[at] |= once[at] & right
			once[at] |= right
		}
	}
	for at := headerEnd / 8; at < len(twice); at++ {
		if ^twice[at] != 0 {
			return false
		}
	}
	return true
}

// again tells whether a reading came before, byte for byte. What the drive has in a buffer
// says nothing twice.
func again(before []Reading, r Reading) bool {
	for _, b := range before {
		if bytes.Equal(b.Data, r.Data) {
			return true
		}
	}
	return false
}

// standsBy is how many of a reading's bytes have no pointer, from one place of the sector to
// another, both divisible by 8, and how many of them are not those of a sector.
func (r Reading) standsBy(s []byte, from, to int) (n, wrong int) {
	for at := from; at < to; at += 8 {
		say := r.says(at)
		n += bits.OnesCount64(say) / 8
		wrong += bits.OnesCount64(say&^r.right(s, at)) / 8
	}
	return n, wrong
}

// says is FFh for each of the eight bytes from a place on that has no pointer.
func (r Reading) says(at int) uint64 {
	if r.C2 == nil {
		return ^uint64(0)
	}
	return unpointed[r.C2[at/8]]
}

// right is FFh for each of the eight bytes from a place on that has no pointer and is that
// of a sector.
func (r Reading) right(s []byte, at int) uint64 {
	x := binary.LittleEndian.Uint64(r.Data[at:]) ^ binary.LittleEndian.Uint64(s[at:])
	// Of each byte that differs one bit, then all of them.
	const low = 0x7F7F7F7F7F7F7F7F
	differs := ((x&low + low) | x) &^ low
	return r.says(at) &^ ((differs >> 7) * 0xFF)
}
