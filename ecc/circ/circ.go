// Package circ is the code of the frames that a CD is made of: two Reed–Solomon codes
// with an interleave between them (CIRC). It makes the frames that lie on a disc from
// the 24 bytes that each carries, and takes them apart again as a player does, which
// tells of every byte whether it is doubtful: the C2 pointers of a drive.
//
//	bytes of a sector      swapped in pairs, 24 a frame, 98 frames a sector
//	   │
//	   ▼  words of two bytes, even ones held back by 2 frames, and sorted
//	C2 (28, 24)            ├── 12 bytes ──┤ Q 4 ├── 12 bytes ──┤
//	   │
//	   ▼  byte i held back by 4·i frames: 0, 4 … 108
//	C1 (32, 28)            ├────────── 28 bytes ─────────┤ P 4 │
//	   │
//	   ▼  every other byte held back by 1 frame; P and Q inverted
//	recorded frame         32 bytes (and one of sub-channel, which is not here)
//
// What one frame carries lies in 109 frames and a few more, and so a scratch takes
// little of each word. Both codes are over the field of package gf256, with the roots
// α⁰ to α³; byte 0 of a word is the coefficient of the highest power.
//
// # A player
//
// C1 corrects up to 2 wrong bytes of a word; of one with more, all 28 are erased. C2
// fills in up to 4 erased bytes. What it can't fill in is doubtful: the erased bytes of
// a word with more than 4, and all of one that does not come out right.
//
// # Sources
//
// Sizes of the codes, the interleave's span of 109 frames and what C1 and C2 correct:
// public descriptions of CIRC, which name IEC 60908 and ECMA-130 Annex C; swapped pairs
// and 98 frames of 24 bytes: ECMA-130 and Linux (cdrom.h, CD_CHUNK_SIZE). The single
// delays, the order within a word and the inversion are from memory [memory].
package circ

import (
	"fmt"

	"turnstone/ecc/rs"
)

// Sizes.
const (
	Carried      = 24 // bytes that a frame carries
	Recorded     = 32 // bytes of a recorded frame
	SectorFrames = 98 // frames of a sector

	// Reach is how many frames behind its own a frame's bytes may lie.
	Reach = held + (c2Length-1)*unit + 1
)

const (
	c2Length, c1Length = 28, 32
	checks             = 4
	checksAt           = 12 // Q within a word of C2
	unit               = 4  // frames of delay from byte to byte
	held               = 2  // frames by which even words are held back
	mostErrors         = 2  // that C1 corrects in a word
)

// symbol is where a byte of a C2 word comes from.
type symbol struct {
	byte int // of the 24 that a frame carries; −1 for a check byte
	back int // frames by which it was held back
}

// order is the bytes of a C2 word. The twelve words of two bytes of a frame are left
// and right channel in turn, L0 R0 L1 R1 … L5 R5: even ones come first, left before
// right, then the check bytes, then odd ones [memory].
var order = func() (o [c2Length]symbol) {
	i := 0
	put := func(b, back int) {
		if i == checksAt {
			for range checks {
				o[i] = symbol{-1, 0}
				i++
			}
		}
		o[i] = symbol{b, back}
		i++
	}
	for odd := range 2 {
		for channel := range 2 {
			for n := odd; n < 6; n += 2 {
				word := 2*n + channel
				put(2*word, held*(1-odd))
				put(2*word+1, held*(1-odd))
			}
		}
	}
	return o
}()

// Where is the C2 word and the byte of it that hold byte b of the frame n.
func Where(n, b int) (word, at int) {
	for i, s := range order {
		if s.byte == b {
			return n + s.back, i
		}
	}
	return -1, -1
}

func errLength(what string, n, each int) error {
	return fmt.Errorf("circ: %d bytes of %s, of which each frame has %d", n, what, each)
}

// late is by how many frames byte i of a C1 word is held back at last.
func late(i int) int { return 1 - i%2 }

// Codec codes and decodes frames. It belongs to one goroutine at a time.
type Codec struct {
	c1, c2 *rs.Decoder
	whole1 *rs.Code
}

// NewCodec makes a codec.
func NewCodec() *Codec {
	one, err := rs.New(c1Length, c1Length-checks, 0)
	if err != nil {
		panic(err) // the constants are a code
	}
	two, err := rs.New(c2Length, c2Length-checks, 0)
	if err != nil {
		panic(err)
	}
	return &Codec{c1: one.NewDecoder(), c2: two.NewDecoder(), whole1: one}
}

// Encode is the recorded frames of what frames carry, as many as these; in front of
// them nothing but zeros was carried. An error is returned when there are no whole
// frames.
func (c *Codec) Encode(carried []byte) ([]byte, error) {
	if len(carried)%Carried != 0 {
		return nil, errLength("what frames carry", len(carried), Carried)
	}
	n := len(carried) / Carried
	c2 := make([]byte, n*c2Length)
	q := []int{checksAt, checksAt + 1, checksAt + 2, checksAt + 3}
	for w := range n {
		word := c2[w*c2Length:][:c2Length]
		for i, s := range order {
			if s.byte >= 0 && w >= s.back {
				word[i] = carried[(w-s.back)*Carried+s.byte]
			}
		}
		// Filling in what is missing of a word is the same as making its check bytes.
		if _, err := c.c2.Decode(word, q); err != nil {
			return nil, err
		}
	}
	c1 := make([]byte, n*c1Length)
	for t := range n {
		word := c1[t*c1Length:][:c1Length]
		for i := range c2Length {
			if w := t - unit*i; w >= 0 {
				word[i] = c2[w*c2Length+i]
			}
		}
		if err := c.whole1.Encode(word); err != nil {
			return nil, err
		}
	}
	out := make([]byte, n*Recorded)
	for t := range n {
		for i := range c1Length {
			if from := t - late(i); from >= 0 {
				out[t*Recorded+i] = c1[from*c1Length+i]
			}
			if inverted(i) {
				out[t*Recorded+i] ^= 0xFF
			}
		}
	}
	return out, nil
}

// inverted tells which bytes of a frame are recorded inverted.
func inverted(i int) bool { return i >= checksAt && i < checksAt+checks || i >= c2Length }

// Decode is what frames carry, and which bytes of it are doubtful, by the recorded
// frames: of as many frames as there are less Reach. An error is returned when there
// are no whole frames, or too few.
func (c *Codec) Decode(recorded []byte) (carried []byte, doubtful []bool, err error) {
	frames := len(recorded) / Recorded
	if len(recorded)%Recorded != 0 || frames <= Reach {
		return nil, nil, errLength("recorded frames", len(recorded), Recorded)
	}
	words := frames - 1
	c1 := make([]byte, words*c1Length)
	erased := make([]bool, words)
	for t := range words {
		word := c1[t*c1Length:][:c1Length]
		for i := range word {
			word[i] = recorded[(t+late(i))*Recorded+i]
			if inverted(i) {
				word[i] ^= 0xFF
			}
		}
		r, err := c.c1.Decode(word, nil)
		if err != nil {
			return nil, nil, err
		}
		erased[t] = r.Verdict == rs.Uncorrectable || len(r.At) > mostErrors
	}
	n := frames - Reach
	carried, doubtful = make([]byte, n*Carried), make([]bool, n*Carried)
	var word [c2Length]byte
	var at [c2Length]int
	for w := range n + held {
		holes := at[:0]
		for i := range word {
			t := w + unit*i
			word[i] = c1[t*c1Length+i]
			if erased[t] {
				holes = append(holes, i)
			}
		}
		all := false
		if len(holes) <= checks {
			r, err := c.c2.Decode(word[:], holes)
			if err != nil {
				return nil, nil, err
			}
			all = r.Verdict == rs.Uncorrectable
			holes = nil
		}
		for i, s := range order {
			frame := w - s.back
			if s.byte < 0 || frame < 0 || frame >= n {
				continue
			}
			carried[frame*Carried+s.byte] = word[i]
			doubtful[frame*Carried+s.byte] = all
		}
		for _, i := range holes {
			if s := order[i]; s.byte >= 0 && w-s.back >= 0 && w-s.back < n {
				doubtful[(w-s.back)*Carried+s.byte] = true
			}
		}
	}
	return carried, doubtful, nil
}
