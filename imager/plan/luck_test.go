package plan

import (
	"math"
	"math/rand/v2"
	"testing"

	"turnstone/device/spiral"
)

// TestLuck: it is 1 where the surface is believed, within half of a half octave of its
// curve elsewhere; and eight failures running wear it off evenly, in half octaves from 16.
func TestLuck(t *testing.T) {
	l := luck{times: 1}
	for i := range 101 {
		share := float64(i) / 100
		curve := 1 + 100*math.Pow(share, 3)
		l.take(share)
		if share < .21 && !l.none() || share > .22 && math.Abs(math.Log2(l.times/curve)) > .2501 {
			t.Errorf("take(%v): %v times; want %v, or 1 below 0.21", share, l.times, curve)
		}
	}
	l.times = 16
	for _, x := range []struct {
		came   int64
		failed int
		want   float64
	}{{16, 0, 16}, {0, 1, 11.314}, {0, 1, 8}, {0, 2, 4}, {0, 4, 1}, {0, 1, 1}, {3, 0, 16}, {0, 5, 2.828}, {1, 0, 16}, {2, 2, 8}} {
		l.note(x.came, false)
		for range x.failed {
			l.note(0, true)
		}
		if got := l.leaving(); math.Abs(got-x.want) > 1e-3 {
			t.Errorf("after %d that came and %d failures, %d running, another place must look %v times as good; want %v", x.came, x.failed, l.vain, got, x.want)
		}
	}
	l.vain = 0
	if l.note(5, true); l.vain != 1 {
		t.Errorf("blocks that came and then one that failed count as %d failures running; want 1", l.vain)
	}
}

// TestReadThrough: with luck a run begins where it does without, passes no block over that
// it would not pass over otherwise, and some not that it would; and where the head is it
// begins sooner.
func TestReadThrough(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 22))
	var longer, sooner, runs int
	for range 6 {
		s, _ := marked(t, r, spiral.Shape{Inner: 24, Pitch: .74e-3, Sector: 38_688 * 133.3e-6}, 400_000, .3, false)
		s.refresh()
		for s.worth = 200; s.worth > 1; s.worth /= 2 {
			for i := range s.zones {
				var plain, lucky, here zone
				at := s.zones[i]
				plain, lucky, here = zone{band: at.band, radius: at.radius}, zone{band: at.band, radius: at.radius}, zone{band: at.band, radius: at.radius}
				s.luck.times = 1
				s.walk(&plain, at.first, 1)
				first := s.gather(&plain, nil)
				s.luck.times = 16
				s.walk(&lucky, at.first, 1)
				s.walk(&here, at.first, s.luck.times)
				if len(first) == 0 || lucky.count == 0 || here.count == 0 {
					continue
				}
				runs++
				if lucky.start != plain.start || here.start > plain.start {
					t.Fatalf("a run begins at %d, with luck at %d, where the head is at %d; want the same, and no later",
						plain.start, lucky.start, here.start)
				}
				if here.start < plain.start {
					sooner++
				}
				blocks, end := s.gather(&lucky, nil), first[len(first)-1]
				in := map[int64]bool{}
				for _, b := range blocks {
					in[b] = true
				}
				for _, b := range first {
					if !in[b] && b < blocks[len(blocks)-1] {
						t.Fatalf("block %d is passed over with luck, and not without", b)
					}
					delete(in, b)
				}
				for b := range in {
					if b < end {
						longer++
						break
					}
				}
			}
		}
	}
	if runs < 500 || longer < runs/50 || sooner < runs/50 {
		t.Errorf("of %d runs %d were read through and %d began sooner where the head was: too few to tell", runs, longer, sooner)
	}
}
