package rawcd

import (
	"encoding/binary"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
)

// Outcome is what readings come to.
type Outcome struct {
	// Sector is the whole raw sector, of Kind, where it is proven; else nil. It is new.
	Sector []byte
	Kind   cd.Kind
	// Proven tells that an error-detection code holds. A sector of form 2 without one may
	// be there all the same.
	Proven bool
	// Corrected is how many bytes the sector's own code made other than the vote had
	// them.
	Corrected int
	// Doubt is how many bytes are in doubt after the vote.
	Doubt int
}

// User is the user's data of the sector: 2,048 bytes, of form 2 2,324.
func (o Outcome) User() []byte {
	b, err := cd.UserData(o.Sector, o.Kind)
	if err != nil {
		return nil
	}
	return b
}

// Weights of a byte in the vote, and by how much a value must lead not to be in doubt:
// one byte without a pointer, one of a drive without pointers, or two with a pointer
// that agree. Invented.
const (
	sureWeight     = 12
	plainWeight    = 4
	doubtfulWeight = 2
	enoughLead     = 4
)

// Combiner puts sectors together. It holds scratch memory and belongs to one goroutine
// at a time; its zero value is ready.
type Combiner struct {
	voted [cd.Size]byte
	doubt [cd.C2Size]byte
	try   [cd.Size]byte
	own   []Reading
}

// Combine puts the sector of an address together from readings of it that Clean has
// found usable; the newest comes last, and those before it have been combined without
// it. The readings stay as they are.
func (c *Combiner) Combine(asked sector.LBA, readings []Reading) Outcome {
	if len(readings) == 0 {
		return Outcome{}
	}
	for _, r := range readings {
		if !r.Valid() {
			return Outcome{}
		}
	}
	out := Outcome{Doubt: c.vote(readings)}
	kinds := c.kinds(readings)
	for _, k := range kinds {
		if k != cd.Mode1 {
			// Only a reading's own header says whose data it has.
			if readings = c.headed(readings, asked); len(readings) == 0 {
				return out
			}
			c.vote(readings)
			if form, ok := formOf(readings); ok && form != k {
				continue
			}
		}
		if c.prove(&out, asked, k, readings, c.voted[:], c.doubt[:]) {
			return out
		}
		if last := readings[len(readings)-1]; len(readings) > 1 && c.prove(&out, asked, k, readings, last.Data, last.C2) {
			return out
		}
		if k == cd.Form2 && c.came(&out, readings) {
			return out
		}
	}
	return out
}

// vote has the readings decide each byte, and returns how many are in doubt. Eight bytes
// are decided at a time where no two readings without a pointer disagree; the others one
// by one.
func (c *Combiner) vote(readings []Reading) (doubt int) {
	clear(c.doubt[:])
	pointed := len(readings)-1 <= (sureWeight-enoughLead)/doubtfulWeight
	for k := range readings {
		pointed = pointed && readings[k].C2 != nil
	}
	for at := 0; at < cd.Size; at += 8 {
		var value, known, disputed uint64 // of the eight bytes: by readings without a pointer
		for k := range readings {
			r := &readings[k]
			word, say := binary.LittleEndian.Uint64(r.Data[at:]), ^uint64(0)
			if pointed {
				say = unpointed[r.C2[at/8]]
			} else if r.C2 != nil {
				disputed |= ^unpointed[r.C2[at/8]]
			}
			disputed |= (word ^ value) & say & known
			value |= word & say &^ known
			known |= say
		}
		binary.LittleEndian.PutUint64(c.voted[at:], value)
		if disputed == 0 && ^known == 0 {
			continue
		}
		for i := at; i < at+8; i++ {
			if shift := 8 * (i - at); byte(disputed>>shift) == 0 && byte(known>>shift) != 0 {
				continue
			}
			v, sure := voteByte(readings, i)
			c.voted[i] = v
			if !sure {
				c.doubt[i/8] |= 0x80 >> (i % 8)
				doubt++
			}
		}
	}
	return doubt
}

// unpointed is FFh for each of eight bytes without a pointer, by their pointers: the
// first byte is the lowest, its pointer the highest bit.
var unpointed = func() (t [256]uint64) {
	for p := range t {
		for i := range 8 {
			if p<<i&0x80 == 0 {
				t[p] |= 0xFF << (8 * i)
			}
		}
	}
	return t
}()

// voteByte is the value that byte i has by the vote, and whether it leads by enough.
func voteByte(readings []Reading, i int) (v byte, sure bool) {
	var values [16]byte
	var weights [16]int
	n := 0
	for _, r := range readings {
		w := plainWeight
		if r.C2 != nil {
			if w = sureWeight; r.C2[i/8]<<(i%8)&0x80 != 0 {
				w = doubtfulWeight
			}
		}
		j := 0
		for j < n && values[j] != r.Data[i] {
			j++
		}
		if j == len(values) {
			continue // so many values for a byte: it is in doubt anyway
		}
		if j == n {
			values[j] = r.Data[i]
			n++
		}
		weights[j] += w
	}
	best, second := 0, 0
	for j := range n {
		switch {
		case weights[j] > best:
			best, second, v = weights[j], best, values[j]
		case weights[j] > second:
			second = weights[j]
		}
	}
	return v, best-second >= enoughLead
}

// headed is those readings whose own sync and header came without a pointer, with the
// address asked for.
func (c *Combiner) headed(readings []Reading, asked sector.LBA) []Reading {
	c.own = c.own[:0]
	for _, r := range readings {
		if a, ok := r.address(); ok && a == asked {
			c.own = append(c.own, r)
		}
	}
	return c.own
}

// formOf is the form of a sector of mode 2 by its subheader, where a reading has both
// copies of it without a pointer and alike, and no other reading says otherwise.
func formOf(readings []Reading) (k cd.Kind, ok bool) {
	const submode, again, bit = 18, 22, 0x20
	for _, r := range readings {
		a, b := r.Data[submode]&bit, r.Data[again]&bit
		if r.pointed(submode) || r.pointed(again) || a != b {
			continue
		}
		said := cd.Form1
		if a != 0 {
			said = cd.Form2
		}
		if ok && k != said {
			return 0, false
		}
		k, ok = said, true
	}
	return k, ok
}

var allKinds = []cd.Kind{cd.Mode1, cd.Form1, cd.Form2}

// kinds is which kinds of sector it may be, by the header where that is not in doubt,
// else by the track.
func (c *Combiner) kinds(readings []Reading) []cd.Kind {
	mode := byte(0)
	if c.doubt[1]&1 == 0 { // of byte 15
		mode = c.voted[15] & 0x1F
	}
	for i := 0; mode != 1 && mode != 2 && i < len(readings); i++ {
		mode = readings[i].Mode
	}
	switch mode {
	case 1:
		return allKinds[:1]
	case 2:
		return allKinds[1:]
	}
	return allKinds
}

// prove mends a candidate and holds it against its code, and on mode 2 its address against
// the readings that it was made of. Doubt is its erasures; nil for none.
func (c *Combiner) prove(out *Outcome, asked sector.LBA, k cd.Kind, readings []Reading, candidate, doubt []byte) bool {
	c.try = [cd.Size]byte(candidate)
	if k == cd.Mode1 {
		// What the header has to be is known; whether it is, the EDC says, which covers it.
		h, ok := header(asked)
		if !ok {
			return false
		}
		copy(c.try[:], h[:])
		c.try[15] = 1
	}
	r, err := cd.Repair(c.try[:], k, doubt)
	if err != nil || r.Verdict != cd.Clean && r.Verdict != cd.Repaired {
		return false
	}
	got, a, err := cd.Detect(c.try[:])
	if err != nil || got != k || a != int64(asked) {
		return false
	}
	if k != cd.Mode1 && !vouched(c.try[:], readings) || k == cd.Form2 && !upheld(c.try[:], readings) {
		return false
	}
	*out = Outcome{Sector: append([]byte(nil), c.try[:]...), Kind: k, Proven: true, Corrected: r.Changed, Doubt: out.Doubt}
	return true
}

// came tells whether a sector of form 2 that has no EDC came without doubt: twice the
// same, or once by a drive whose pointers say that all is well.
func (c *Combiner) came(out *Outcome, readings []Reading) bool {
	if out.Doubt > 0 || binary.LittleEndian.Uint32(c.voted[2348:]) != 0 {
		return false
	}
	if v, err := cd.Verify(c.voted[:], cd.Form2); err != nil || v != cd.Unproven {
		return false
	}
	alike := 0
	for _, r := range readings {
		if string(r.Data) != string(c.voted[:]) {
			continue
		}
		alike++
		if r.C2 != nil && r.doubts() == 0 {
			alike++
		}
	}
	if alike < 2 {
		return false
	}
	*out = Outcome{Sector: append(make([]byte, 0, device.RawSize), c.voted[:]...), Kind: cd.Form2}
	return true
}
