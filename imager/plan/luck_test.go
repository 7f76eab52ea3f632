package plan

import (
	"math"
	"math/rand/v2"
	"testing"

	"turnstone/device/spiral"
)

// TestLuck: it is on until enough has failed to tell. From then on it begins at one share and
// ends at a lower one, so that it does not come and go with each outcome. While there is none
// all is as good as it looks. With it the best place is as good as the mean of all, and the
// place of the head better than it looks, the more where luck is shown.
func TestLuck(t *testing.T) {
	const off, maybe, shown = 1, 1.3, 4
	var l luck
	for i, x := range []struct {
		share float64
		told  bool
		here  float64
	}{
		{0, false, maybe}, {.21, false, maybe}, {.23, false, shown}, {.19, false, maybe}, {.21, false, maybe}, {.21, true, off},
		{.23, true, shown}, {.21, true, shown}, {1, true, shown}, {.19, true, off}, {.21, true, off}, {.23, true, shown}, {0, true, off},
	} {
		l.take(x.share, x.told)
		want := [3]float64{50, x.here, 1}
		switch x.here {
		case maybe:
			want = [3]float64{20, x.here, 10}
		case shown:
			want = [3]float64{20, x.here, 30}
		}
		if got := [3]float64{l.elsewhere(50, 20), l.here(), l.past()}; got != want {
			t.Errorf("step %d, a share of %v, told %v: elsewhere, here and past are %v; want %v", i, x.share, x.told, got, want)
		}
		if got := l.elsewhere(50, 0); got != 50 {
			t.Errorf("step %d: where no place brings anything, elsewhere is %v; want what it looks like, 50", i, got)
		}
	}
}

// TestBestZone: what all places bring a second is their good blocks by their seconds, and
// lies between the worst and the best; the best is found.
func TestBestZone(t *testing.T) {
	r := rand.New(rand.NewPCG(23, 24))
	for range 6 {
		s, _ := marked(t, r, spiral.Shape{Inner: 24, Pitch: .74e-3, Sector: 38_688 * 133.3e-6}, 400_000, .3, false)
		s.refresh()
		s.worth = 50
		here := s.here()
		best, at, all := s.bestZone(&here)
		most, least, gain, cost := 0.0, math.Inf(1), 0.0, 0.0
		for i := range s.zones {
			z := &s.zones[i]
			if v := s.rate(z, &here); v > 0 {
				most, least = max(most, v), min(least, v)
				gain, cost = gain+z.gain, cost+z.gain/v
			}
		}
		if at < 0 || best != s.rate(&s.zones[at], &here) || best < most/1.03 || math.Abs(all-gain/cost) > 1e-9*all || all < least || all > most {
			t.Errorf("zone %d brings %v a second and all of them %v; they bring from %v to %v, in the mean %v", at, best, all, least, most, gain/cost)
		}
	}
}

// TestStay: with luck the head stays where it brings more than all places together, though
// another looks better, and that mean is the price; Yield goes on telling of the run in hand.
func TestStay(t *testing.T) {
	r := rand.New(rand.NewPCG(25, 26))
	stays, tempted := 0, 0
	for range 4 {
		s, _ := marked(t, r, spiral.Shape{Inner: 24, Pitch: .74e-3, Sector: 38_688 * 133.3e-6}, 400_000, .3, false)
		s.refresh()
		s.soundings.over = true
		s.due.failed, s.due.seen = math.Inf(1), math.Inf(1)
		s.skill.weight = [features]float64{surfaceSays: .5, besideSays: .5}
		for i := 0; i < len(s.zones); i += 7 {
			s.head, s.worth, s.luck = s.zones[i].first, 50, luck{on: true, shown: true}
			s.moment++
			s.allStale()
			here := s.here()
			best, _, all := s.bestZone(&here)
			v := s.rate(&here, &here)
			if v < all {
				continue
			}
			stays++
			if v < best/1.5 {
				tempted++
			}
			if !s.choose() || s.run[0] != here.start || s.worth != all || s.brings != v {
				t.Fatalf("where the head brings %v a second, all places %v and the best %v, a run begins at %d that brings %v, at a price of %v; want block %d",
					v, all, best, s.run[0], s.brings, s.worth, here.start)
			}
			if got, _ := (&Plan{work: work{disc: s.disc}, place: s}).Yield(); got != v*float64(s.disc.Block) {
				t.Fatalf("Yield = %v sectors; want %v a block of %d", got, v, s.disc.Block)
			}
		}
	}
	if stays < 20 || tempted < 5 {
		t.Errorf("the head stayed %d times, %d times where another place looked much better: too few to tell", stays, tempted)
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
				s.luck = luck{}
				s.walk(&plain, at.first, 1)
				first := s.gather(&plain, nil)
				s.luck = luck{on: true, shown: i%2 > 0}
				s.walk(&lucky, at.first, 1)
				s.walk(&here, at.first, s.luck.past())
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

// TestChanceByLuck: with luck what is expected is corrected by what came of such, and by what
// came in rows; without it is what it is.
func TestChanceByLuck(t *testing.T) {
	s := New(scarTask(2400)).place
	const b = 1004
	ring := s.field.ringOf(b)
	for x := int64(b - 6); x < b; x++ {
		s.see(ring, x, true, false)
	}
	s.refresh()
	depth, believed := s.skill.row(b), s.believed(ring, b)
	if depth == 0 || believed >= provedSure {
		t.Fatalf("beside six failures, at a depth of %d, %v is expected; want a row, and less than %v, or nothing is shown", depth, believed, provedSure)
	}
	for range 50 {
		s.proved.note(believed, true)
		s.rows.note(depth, believed, true)
	}
	for _, on := range []bool{false, true} {
		s.luck.on = on
		s.moment++
		want := believed
		if on {
			want = s.proved.chance(believed) * s.rows.factor(depth)
		}
		if got := s.chance(ring, b); got != want || on && got > believed/4 {
			t.Errorf("luck %v: the chance is %v; want %v of %v", on, got, want, believed)
		}
	}
}
