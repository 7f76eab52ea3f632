package plan

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestProved: what is expected is kept while nothing is known, and where it proves right; where
// it does not it becomes what came, also where less came of what more was expected of. What is
// sure is kept.
func TestProved(t *testing.T) {
	var c proved
	for p := .01; p < 1; p += .01 {
		if got := c.chance(p); math.Abs(got-p) > 1e-12 {
			t.Fatalf("nothing seen: %v becomes %v", p, got)
		}
	}
	r := rand.New(rand.NewPCG(41, 42))
	truth := func(p float64) float64 {
		switch {
		case p < .5:
			return .7 - p // 0.7 at nothing, 0.2 at a half
		case p < .8:
			return p
		}
		return .6
	}
	for range 60_000 {
		p := r.Float64()
		c.note(p, r.Float64() >= truth(p))
	}
	for p := .05; p <= .95; p += .05 {
		if p < .06 || p > .43 && p < .57 || p > .73 && p < .87 {
			continue // truth leaps, and what is hopeless stays so
		}
		if got := c.chance(p); math.Abs(got-truth(p)) > .06 {
			t.Errorf("of what %.2f was expected of %.2f comes; it becomes %.3f", p, truth(p), got)
		}
	}
	if got := c.chance(.96); got != .96 {
		t.Errorf("0.96 becomes %v", got)
	}
}

// TestProvedWeight: by hand. Where a step lies, ten outcomes in vain against a half that was
// expected are (0 + 5)/(10 + 10); midway to the next one they count by halves.
func TestProvedWeight(t *testing.T) {
	var c proved
	for range 10 {
		c.note(.5, true)
	}
	kept := 0.0
	for i := range 10 {
		kept += math.Pow(.999, float64(i))
	}
	if got, want := c.chance(.5), 5/(kept+10); math.Abs(got-want) > 1e-12 {
		t.Errorf("0.5 becomes %v; want %v", got, want)
	}
	const mid = .5 + 1./32
	if got, want := c.chance(mid), mid*10/(kept+10)/2+mid/2; math.Abs(got-want) > 1e-12 {
		t.Errorf("%v becomes %v; want %v", mid, got, want)
	}
}

// TestProvedEnds: what is hopeless stays so, in proportion, and what is sure teaches nothing of
// what is not: of larger chances never less is expected.
func TestProvedEnds(t *testing.T) {
	var c proved
	for range 100_000 {
		c.note(.9985, false)
	}
	for i := range 400 {
		c.note(.92, i%10 == 0)
		c.note(.045, i%10 > 0)
	}
	if got := c.chance(6e-6); got > 6e-5 {
		t.Errorf("of what is hopeless %v is expected", got)
	}
	if got := c.chance(.94); math.Abs(got-.9) > .03 {
		t.Errorf("0.94 becomes %v; want about the 0.9 that came", got)
	}
	for p := .5; p < .999; p += .001 {
		if a, b := c.chance(p), c.chance(p+.001); b < a-1e-12 {
			t.Fatalf("%v becomes %v, and %v only %v", p, a, p+.001, b)
		}
	}
}
