package rawcd

import (
	"bytes"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
)

// Reading is one raw reading of a sector.
type Reading struct {
	Data []byte // device.RawSize bytes
	C2   []byte // device.C2Size bytes; nil where the drive gave no pointers
	Mode uint8  // of the track, by what the drive tells: 1 or 2; 0: it tells nothing
}

// Use is what a reading can be used for.
type Use uint8

const (
	Usable    Use = iota
	Scrambled     // usable, once the scrambling was taken off
	Zeros         // nothing but one byte over and over: no sector
	Elsewhere     // the sector of another address
	Repeated      // byte for byte a reading that is there already: it says nothing new
)

// Clean makes a reading of a sector ready for Combine: the scrambling is taken off where
// it is on, in place. It tells what the reading can be used for; only usable readings,
// scrambled ones among them, are for Combine. Others are those that are there already.
// Where a header says that it is another sector, at is its address.
func (r Reading) Clean(asked sector.LBA, others []Reading) (u Use, at sector.LBA) {
	at = asked
	if uniform(r.Data) {
		return Zeros, at
	}
	if r.scrambled(asked) {
		_ = cd.Scramble(r.Data) // it has the length
		u = Scrambled
	}
	if other, ok := r.address(); ok && other != asked && (r.doubts() > 0 || r.holds()) {
		return Elsewhere, other // else it may be its own header that is damaged, by a drive that does not tell
	}
	for _, o := range others {
		if bytes.Equal(r.Data, o.Data) && bytes.Equal(r.C2, o.C2) && r.doubts() > 0 {
			return Repeated, at
		}
	}
	return u, at
}

// uniform tells whether all bytes behind the header are the same one, and the header is
// no header.
func uniform(b []byte) bool {
	for _, v := range b {
		if v != b[0] {
			return false
		}
	}
	return true
}

// header is the first bytes of a sector with an address: sync and address.
func header(a sector.LBA) (h [15]byte, ok bool) {
	var s [cd.Size]byte
	if cd.SetAddress(s[:], cd.Mode1, int64(a)) != nil {
		return h, false
	}
	return [15]byte(s[:15]), true
}

// mask is what the scrambler does to the header's address and mode (ECMA-130 Annex B:
// its output begins 01 80 00 60).
var mask = [4]byte{0x01, 0x80, 0x00, 0x60}

// scrambled tells whether the reading's scrambling is on, by which of both ways the
// header is more like what it should be; where it is like neither, by the bytes that are
// zero in a sector of mode 1, and the second subheader, which is as the first in one of
// mode 2.
func (r Reading) scrambled(asked sector.LBA) bool {
	want, ok := header(asked)
	plain, masked := 0, 0
	for i := range 3 {
		if r.pointed(12 + i) {
			continue
		}
		b := r.Data[12+i]
		if ok && b == want[12+i] {
			plain++
		}
		if ok && b^mask[i] == want[12+i] {
			masked++
		}
	}
	for _, mode := range []byte{1, 2} {
		if r.pointed(15) {
			break
		}
		if r.Data[15] == mode {
			plain++
		}
		if r.Data[15]^mask[3] == mode {
			masked++
		}
	}
	if plain != masked {
		return masked > plain
	}
	other := bytes.Clone(r.Data)
	_ = cd.Scramble(other)
	return likeness(other) > likeness(r.Data)
}

// likeness counts bytes that are as they should be in a sector of data, whatever it
// holds.
func likeness(b []byte) (n int) {
	for _, v := range b[2068:2076] {
		if v == 0 {
			n++
		}
	}
	for i := range 4 {
		if b[16+i] == b[20+i] {
			n++
		}
	}
	return n
}

// address is where a reading says that it is from, where its sync and header make sense
// and are not in doubt.
func (r Reading) address() (sector.LBA, bool) {
	for i := range 16 {
		if r.pointed(i) {
			return 0, false
		}
	}
	k, a, err := cd.Detect(r.Data)
	return sector.LBA(a), err == nil && k != 0
}

// pointed tells whether a byte has a pointer.
func (r Reading) pointed(i int) bool { return r.C2 != nil && r.C2[i/8]<<(i%8)&0x80 != 0 }

// holds tells whether the reading is a whole sector of some address.
func (r Reading) holds() bool {
	k, _, err := cd.Detect(r.Data)
	if err != nil {
		return false
	}
	v, err := cd.Verify(r.Data, k)
	return err == nil && v == cd.Clean
}

// doubts is how many of a reading's bytes have a pointer.
func (r Reading) doubts() (n int) {
	for _, b := range r.C2 {
		for ; b != 0; b &= b - 1 {
			n++
		}
	}
	return n
}

// Doubts is how many bytes of a reading have a C2 pointer.
func (r Reading) Doubts() int { return r.doubts() }

// Valid tells whether the reading has the lengths that it must have.
func (r Reading) Valid() bool {
	return len(r.Data) == device.RawSize && (r.C2 == nil || len(r.C2) == device.C2Size)
}
