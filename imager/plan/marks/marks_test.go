package marks_test

import (
	"math"
	"testing"

	"turnstone/device/sector"
	"turnstone/device/spiral"
	"turnstone/imager/plan/marks"
	"turnstone/mapfile"
)

// TestFoundAgainstTruth: on a simulated disc whose marks are known each scratch that
// by itself makes 200 sectors unreadable is found with its middle within half a millimetre
// and 3 degrees, once the angles at its radius are known, and all but one at a turn of the
// map by named marks; of ten marks found one at most is none; and what the calibration says
// of its error is no boast.
func TestFoundAgainstTruth(t *testing.T) {
	w := load(t, "../../../testdata/scenarios/marks/plain.json")
	s := w.measure(0)
	t.Log(s)
	if s.due < 9 || s.found < s.due {
		t.Errorf("found %d of %d marks; want 9 due, and all", s.found, s.due)
	}
	if s.named.named < 5 || s.named.seen < s.due-1 || s.named.untold < 1 {
		t.Errorf("with marks named %v within 3°; want all but one, one of them at least that was not told", s.named)
	}
	if 10*s.falseOnes > s.marks {
		t.Errorf("%d of %d marks are none; want one in ten at most", s.falseOnes, s.marks)
	}
	if s.drift > 4*s.stated {
		t.Errorf("angles are off by %.1f°; the calibration says %.1f°", s.drift, s.stated)
	}
	// The second round, against the first: what was sanded away is gone.
	nominal, _ := spiral.Nominal("dvd", true, w.blocks*16)
	d := marks.Calibrate("dvd", nominal, w.sights...)
	before, now := d.Find(0, w.sights[0]), d.Find(0, w.sights[1])
	gone := now.Compare(before, w.sights[0], w.sights[1])
	if len(gone) < 5 {
		t.Errorf("%d marks are gone; want 5 at least of the %d of before", len(gone), len(before.Marks))
	}
	for _, m := range gone {
		if m.News != marks.Gone {
			t.Errorf("news of a mark that is gone = %q; want %q", m.News, marks.Gone)
		}
	}
	for _, m := range now.Marks {
		if m.News == marks.Unknown {
			t.Errorf("no news of the %s at %.1f mm", m.Kind, m.Middle.Radius)
		}
	}
	// The estimated damage is great at the places of the marks found, and little across
	// the disc from them.
	f := d.Damage(0, w.sights[0])
	at := func(r, a float64) float64 {
		return float64(f.Stops[int((r-f.Inner)/f.Step)*f.Angles+int((a-math.Floor(a))*float64(f.Angles))])
	}
	for _, m := range before.Marks[:8] {
		here, there := at(m.Middle.Radius, m.Middle.Angle), at(m.Middle.Radius, m.Middle.Angle+.5)
		if here < .2 || there > here/4 {
			t.Errorf("%s at %.2f mm: stops %.2f of the blocks there and %.2f on the other side of the disc", m.Kind, m.Middle.Radius, here, there)
		}
	}
	for i, v := range f.Stops {
		if v < 0 || v > 1 || math.IsNaN(float64(v)) {
			t.Fatalf("cell %d stops %v of the blocks; want 0 to 1", i, v)
		}
	}
}

// TestNothingKnown: where nothing failed, or next to nothing, no angles are claimed
// and nothing is found.
func TestNothingKnown(t *testing.T) {
	const sectors = 160_000
	nominal, err := spiral.Nominal("dvd", true, sectors)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		name string
		fill func(s *marks.Sights)
	}{
		{"nothing asked", func(*marks.Sights) {}},
		{"all good", func(s *marks.Sights) { s.Come(sector.Span(0, sectors)) }},
		{"all failed", func(s *marks.Sights) { s.Fail(sector.Span(0, sectors)) }},
		{"one block failed", func(s *marks.Sights) {
			s.Come(sector.Span(0, sectors))
			s.Fail(sector.Span(16000, 16))
		}},
		{"at random", func(s *marks.Sights) {
			s.Come(sector.Span(0, sectors))
			x := uint32(1)
			for b := sector.LBA(0); b < sectors; b += 16 {
				if x = x*1664525 + 1013904223; x>>24 < 40 {
					s.Fail(sector.Span(b, 16))
				}
			}
		}},
	} {
		s := marks.NewSights(sectors, 16)
		x.fill(s)
		d := marks.Calibrate("dvd", nominal, s)
		if known, drift := d.Angles(0); known || drift < .5 {
			t.Errorf("%s: angles known %v, drift %.2f; want them unknown", x.name, known, drift)
		}
		if f := d.Find(0, s); len(f.Marks) > 0 {
			t.Errorf("%s: found %d marks; want none", x.name, len(f.Marks))
		}
	}
}

// TestTurnsAreTheTracks: the turns before anything is fitted are those of the nominal
// track, on both layers of opposite track path.
func TestTurnsAreTheTracks(t *testing.T) {
	nominal, err := spiral.Nominal("dvd", true, 1_900_000, 1_899_984)
	if err != nil {
		t.Fatal(err)
	}
	d := marks.Calibrate("dvd", nominal, marks.NewSights(3_799_984, 16))
	for layer := range 2 {
		r := nominal.Layer(layer)
		begins := nominal.At(float64(r.First)).Turn
		for i := range 20 {
			at := float64(r.First) + float64(r.Count())*float64(i)/20
			if got, want := d.Turn(layer, at), nominal.At(at).Turn-begins; math.Abs(got-want) > 1e-4 {
				t.Errorf("layer %d: Turn(%.0f) = %.6f; want %.6f", layer, at, got, want)
			}
			own := d.Track(layer)
			if got, want := own.At(at).Turn-own.At(float64(r.First)).Turn, d.Turn(layer, at); math.Abs(got-want) > 1e-4 {
				t.Errorf("layer %d: its track's turn at %.0f = %.6f; want %.6f", layer, at, got, want)
			}
			if got, want := own.At(at).Radius, nominal.At(at).Radius; math.Abs(got-want) > .01 {
				t.Errorf("layer %d: its track's radius at %.0f = %.3f; want %.3f", layer, at, got, want)
			}
		}
	}
}

// TestAfter: what a case's map says of its blocks, by round.
func TestAfter(t *testing.T) {
	m := mapfile.New("case")
	m.AddRound(mapfile.Round{})
	d := mapfile.Disc{Kind: "dvd", Sectors: 16 * 2000, BlockSectors: 16}
	d.Written.Add(sector.Span(0, d.Sectors))
	if err := m.SetDisc(d); err != nil {
		t.Fatal(err)
	}
	drive := m.AddDrive(mapfile.Drive{Node: "x"})
	read := func(round int, good, bad sector.Range) {
		t.Helper()
		n, err := m.AddPass(mapfile.Pass{Round: round, Drive: drive})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := m.Record(n, mapfile.Run{Range: good, Result: mapfile.Delivered, Attempts: 1}, make([]uint32, good.Count())); err != nil {
			t.Fatal(err)
		}
		if _, err := m.Record(n, mapfile.Run{Range: bad, Result: mapfile.Failed, Attempts: 1}, nil); err != nil {
			t.Fatal(err)
		}
	}
	read(0, sector.Span(0, 16*1000), sector.Span(16*1000, 16*400))
	m.AddRound(mapfile.Round{})
	read(1, sector.Span(16*1000, 16*150), sector.Span(16*1150, 16*100))
	nominal, _ := spiral.Nominal("dvd", true, d.Sectors)
	disc := marks.Calibrate("dvd", nominal, marks.After(m, 0), marks.After(m, 1))
	for round, want := range []int64{400 * 16, 100 * 16} {
		if f := disc.Find(0, marks.After(m, round)); f.Missing != want {
			t.Errorf("after round %d %d sectors failed; want %d", round, f.Missing, want)
		}
	}
}
