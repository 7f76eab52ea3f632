package marks_test

import (
	"fmt"
	"testing"

	"turnstone/device/sim"
	"turnstone/device/spiral"
	"turnstone/imager/plan/marks"
)

// told is how often news of marks of a round were right, and how often not.
type told struct{ right, wrong map[marks.News]int }

func (t told) String() string {
	s := ""
	for _, n := range []marks.News{marks.Gone, marks.Shrunk, marks.Same, marks.New} {
		s += fmt.Sprintf("%s: %d right, %d wrong; ", n, t.right[n], t.wrong[n])
	}
	return s
}

func (t told) sums() (right, wrong int) {
	for _, n := range t.right {
		right += n
	}
	for _, n := range t.wrong {
		wrong += n
	}
	return right, wrong
}

// Limits of what is right, wider than those of the news: a block near its limit fares by
// chance, and of one that came in part before the rest may come that as a whole would not.
const (
	atLast       = .005 // chance of one attempt, of which the drive makes 17
	goneAtMost   = .3   // of a mark's blocks are unreadable once it is gone
	shrunkAtMost = .9   // once it is shrunk
	sameAtLeast  = .7   // while it is as before
)

// news holds what is said of the marks of a round against what the simulated disc says of
// the blocks that failed because of them.
func (w *world) news(round int) told {
	nominal, err := spiral.Nominal("dvd", true, w.blocks*16)
	w.must(err)
	d := marks.Calibrate("dvd", nominal, w.sights[:round+1]...)
	before, now := d.Find(0, w.sights[round-1]), d.Find(0, w.sights[round])
	gone := now.Compare(before, w.sights[round-1], w.sights[round])
	whole := w.with(func(int, drawn) bool { return true })
	bare := w.with(func(int, drawn) bool { return false })
	var c []sim.Chance
	unreadable := func(d *sim.Disc, m marks.Mark, round int) float64 {
		n := 0
		for _, b := range m.Blocks() {
			if c = d.AppendChances(c[:0], round, int64(b)); c[0].Slow < atLast {
				n++
			}
		}
		return float64(n) / float64(len(m.Blocks()))
	}
	t := told{map[marks.News]int{}, map[marks.News]int{}}
	note := func(m marks.Mark, right bool, what float64) {
		if right {
			t.right[m.News]++
			return
		}
		t.wrong[m.News]++
		w.t.Logf("   %s %.2f-%.2f mm, %.0f-%.0f°, costs %d, is said to be %s; of its blocks %.0f %%", m.Kind, m.Inner, m.Outer, 360*m.From, 360*m.To, m.Costs, m.News, 100*what)
	}
	for _, m := range gone {
		x := unreadable(whole, m, round)
		note(m, x <= goneAtMost, x)
	}
	for _, m := range now.Marks {
		if m.News == marks.New { // right where what stops it was not there: haze that the treatment left
			x := unreadable(bare, m, round) - unreadable(bare, m, round-1)
			note(m, x >= .5, x)
			continue
		}
		b, _ := m.Before(before)
		x := unreadable(whole, before.Marks[b], round)
		note(m, m.News == marks.Same && x >= sameAtLeast || m.News == marks.Shrunk && x <= shrunkAtMost && x > 0, x)
	}
	return t
}

// TestNewsAgainstTruth: of ten marks said to be gone, shrunk, new or as before nine are, on
// discs that are treated once and twice.
func TestNewsAgainstTruth(t *testing.T) {
	all := 0
	for _, name := range []string{"plain", "deep"} {
		w := load(t, "../../../testdata/scenarios/marks/"+name+".json")
		for round := 1; round < len(w.sights); round++ {
			news := w.news(round)
			t.Logf("%s, round %d: %v", name, round, news)
			right, wrong := news.sums()
			if all += right + wrong; 10*wrong > right+wrong {
				t.Errorf("%s, round %d: of the news of marks %d are right and %d wrong; want one in ten at most", name, round, right, wrong)
			}
		}
	}
	if all < 50 {
		t.Errorf("news of %d marks; want 50 at least", all)
	}
}
