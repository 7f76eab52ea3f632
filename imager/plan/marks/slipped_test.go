package marks_test

import (
	"math"
	"testing"

	"turnstone/device/sim"
	"turnstone/device/spiral"
	"turnstone/imager/plan/marks"
)

// slipped is a disc of which a treatment has taken all marks and left others. In round 0
// it is the one of a scenario, in round 1 the same disc with the marks added; what came in
// round 0 is not asked for again.
func slipped(t *testing.T, name string) (was, is *world) {
	t.Helper()
	was, is = load(t, name+".json"), load(t, name+"-after.json")
	was.sights, was.failed = was.sights[:1], was.failed[:1]
	was.see(is.fate[1], was.fate[0])
	return was, is
}

// TestNewMarks: marks that a treatment adds where sectors were still missing are found and
// said to be new. Those over sectors that are in the image are not found: nothing is asked
// for there.
func TestNewMarks(t *testing.T) {
	was, is := slipped(t, "../../../testdata/scenarios/marks/slipped")
	nominal, err := spiral.Nominal("dvd", true, was.blocks*16)
	was.must(err)
	d := marks.Calibrate("dvd", nominal, was.sights...)
	before, now := d.Find(0, was.sights[0]), d.Find(0, was.sights[1])
	now.Compare(before, was.sights[0], was.sights[1])

	// Said to be new rightly: without the marks added, or without the haze that the
	// treatment left, most of its blocks come.
	old := was.with(func(int, drawn) bool { return true })
	bare := was.with(func(int, drawn) bool { return false })
	var c []sim.Chance
	share := func(m marks.Mark, d *sim.Disc, readable bool) float64 {
		n := 0
		for _, b := range m.Blocks() {
			if c = d.AppendChances(c[:0], 1, int64(b)); c[0].Readable() == readable {
				n++
			}
		}
		return float64(n) / float64(len(m.Blocks()))
	}
	right, wrong, unsaid := 0, 0, 0
	for _, m := range now.Marks {
		added := share(m, old, true) > .5
		switch {
		case m.News == marks.New && (added || share(m, bare, false) > .5):
			right++
		case m.News == marks.New:
			wrong++
			t.Logf("%s %.2f-%.2f mm, %.0f-%.0f°, costs %d, is said to be new", m.Kind, m.Inner, m.Outer, 360*m.From, 360*m.To, m.Costs)
		case added:
			unsaid++
		}
	}
	t.Logf("new: %d right, %d wrong; of %d marks more blocks fail by an added one, and they are taken for what is left of an old one", right, wrong, unsaid)
	if right < 5 || 10*wrong > right+wrong {
		t.Errorf("of marks said to be new %d are and %d are not; want five at least that are, and one in ten at most that is not", right, wrong)
	}

	// Each of those added that stops 100 of the blocks still missing: is it found, where it
	// lies?
	due, found := 0, 0
	for i := len(was.marks); i < len(is.marks); i++ {
		blocks := is.alone(i, 1, was.failed[1])
		if len(blocks) < 100 {
			continue
		}
		due++
		r, a := is.middle(is.marks[i], blocks)
		at := float64(blocks[len(blocks)/2] * 16)
		off := d.Turn(0, at) - was.track.At(at).Turn
		best := math.Inf(1)
		for _, x := range now.Marks {
			if x.News == marks.New && math.Abs(x.Middle.Radius-r) <= radiusOff {
				best = min(best, 360*math.Abs(math.Remainder(x.Middle.Angle-off-a, 1)))
			}
		}
		t.Logf("added at %.2f mm, %.0f°, stops %d blocks: off by %.1f°", r, 360*a, len(blocks), best)
		if best <= newOff {
			found++
		}
	}
	if due < 4 || found < 3 {
		t.Errorf("of %d marks added %d are found to be new; want three at least, of four", due, found)
	}
}

// newOff is by how many degrees a new mark's middle may be off: the blocks that tell of it
// are those that an old mark had stopped, so all of them reach to one side of it.
const newOff = 10
