package circ

import (
	"bytes"
	"math/rand/v2"
	"testing"
)

// carried is what frames carry, at random.
func carried(r *rand.Rand, frames int) []byte {
	b := make([]byte, frames*Carried)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

func TestRoundTrip(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	c := NewCodec()
	in := carried(r, 400)
	rec, err := c.Encode(in)
	if err != nil {
		t.Fatal(err)
	}
	out, doubtful, err := c.Decode(rec)
	if err != nil {
		t.Fatal(err)
	}
	if len(out) != (400-Reach)*Carried || !bytes.Equal(out, in[:len(out)]) {
		t.Errorf("Decode(Encode(x)) = %d bytes, not x; want x without its last %d frames", len(out), Reach)
	}
	for i, d := range doubtful {
		if d {
			t.Fatalf("byte %d of clean frames is doubtful; want none", i)
		}
	}
}

// The interleave as public descriptions have it: a frame's bytes lie in 109 frames (the
// delays of 0 to 27 times 4), and single delays of 2 and 1 beside.
func TestSpread(t *testing.T) {
	if Reach != 108+2+1 {
		t.Errorf("Reach = %d; want 108 and the delays of 2 and of 1", Reach)
	}
	r := rand.New(rand.NewPCG(3, 4))
	c := NewCodec()
	in := carried(r, 300)
	was, err := c.Encode(in)
	if err != nil {
		t.Fatal(err)
	}
	for i := range Carried {
		in[20*Carried+i] ^= 0xFF
	}
	is, err := c.Encode(in)
	if err != nil {
		t.Fatal(err)
	}
	first, last := -1, 0
	for f := range 300 {
		if !bytes.Equal(was[f*Recorded:][:Recorded], is[f*Recorded:][:Recorded]) {
			if first < 0 {
				first = f
			}
			last = f
		}
	}
	if first < 20 || last > 20+Reach {
		t.Errorf("a frame's bytes lie in frames %d to %d behind it; want 0 to %d", first-20, last-20, Reach)
	}
}

// The longest burst that is always corrected: 4 erasures at 4 frames each are 16 frames
// (FACTS: about 4,000 bits, 16·32·8 = 4,096); a recorded frame that is lost takes two
// words of C1, so that 15 of them do for certain and 17 never.
func TestBurst(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	c := NewCodec()
	in := carried(r, 500)
	rec, err := c.Encode(in)
	if err != nil {
		t.Fatal(err)
	}
	const times = 40
	for long, want := range map[int]bool{1: true, 8: true, 15: true, 17: false, 24: false} {
		whole, unseen := 0, 0
		for range times {
			spoilt := bytes.Clone(rec)
			for i := range long * Recorded {
				spoilt[200*Recorded+i] ^= byte(1 + r.Uint32N(255))
			}
			out, doubtful, err := c.Decode(spoilt)
			if err != nil {
				t.Fatal(err)
			}
			if bytes.Equal(out, in[:len(out)]) {
				whole++
			}
			for i := range out {
				if out[i] != in[i] && !doubtful[i] {
					unseen++
				}
			}
		}
		// Of the words of C1 that are lost, 0.75 % are taken for others (computed
		// below): of 16 words one in 12 bursts.
		if want && whole < times*3/4 || !want && whole > 0 {
			t.Errorf("%d of %d bursts of %d frames are corrected; want them corrected: %v", whole, times, long, want)
		}
		// Words of C2 with 4 erasures have nothing left to notice such a one by.
		if most := times * long * Recorded * 3 / 100; unseen > most {
			t.Errorf("bursts of %d frames: %d bytes are wrong and not doubtful; want at most %d", long, unseen, most)
		}
	}
}

// Counting comes to what decoding comes to, where what is lost is wrong for certain.
func TestCountingIsDecoding(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	c := NewCodec()
	in := carried(r, 2*SectorFrames+Reach)
	rec, err := c.Encode(in)
	if err != nil {
		t.Fatal(err)
	}
	differ, of := 0, 0
	for range 40 {
		lost := make([]bool, len(in)/Carried)
		share := r.Float64() * 0.15
		spoilt := bytes.Clone(rec)
		for f := range lost {
			frame := spoilt[f*Recorded:][:Recorded]
			if lost[f] = r.Float64() < share; lost[f] {
				for i := range frame {
					frame[i] ^= byte(1 + r.Uint32N(255))
				}
			} else if r.Uint32N(3) == 0 {
				frame[r.IntN(Recorded)] ^= byte(1 + r.Uint32N(255)) // which C1 corrects
			}
		}
		out, doubtful, err := c.Decode(spoilt)
		if err != nil {
			t.Fatal(err)
		}
		counted := make([]bool, len(out))
		Doubtful(lost, counted)
		for i := range out {
			of++
			if counted[i] != doubtful[i] {
				differ++
			}
		}
	}
	// C1 takes some words of 16 wrong bytes for others: 496·255²/256⁴ = 0.75 % of them
	// (computed), which erases nothing.
	if share := float64(differ) / float64(of); share > 0.03 {
		t.Errorf("%.3f of all bytes are doubtful by one and not by the other; want under 0.03", share)
	}
}

func TestLengths(t *testing.T) {
	c := NewCodec()
	if _, err := c.Encode(make([]byte, 25)); err == nil {
		t.Error("Encode(25 bytes) = nil; want an error")
	}
	if _, _, err := c.Decode(make([]byte, Reach*Recorded)); err == nil {
		t.Error("Decode(too few frames) = nil; want an error")
	}
}

func TestWhere(t *testing.T) {
	seen := map[int]bool{}
	for b := range Carried {
		w, at := Where(10, b)
		if w != 10 && w != 12 || at < 0 || seen[at] || at >= checksAt && at < checksAt+checks {
			t.Errorf("Where(10, %d) = %d, %d; want a place of its own in word 10 or 12", b, w, at)
		}
		seen[at] = true
	}
	if _, at := Where(0, Carried); at != -1 {
		t.Errorf("Where(0, %d) = %d; want -1", Carried, at)
	}
}
