package imager

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/simtest"
	"turnstone/device/spiral"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// markedCase is the map of a case whose disc is that of a scenario for marks: in each of its
// rounds every block that was missing fared as it is likeliest to. Of a disc of several
// layers the sectors of each are given.
func markedCase(t *testing.T, name string, layers ...int64) *mapfile.Map {
	t.Helper()
	d := simtest.Load(t, "../testdata/scenarios/marks/"+name+".json")
	s := d.Scenario()
	m := mapfile.New("marks")
	disc := mapfile.Disc{Kind: "dvd", Sectors: s.Sectors, BlockSectors: 16, Layers: []int64{s.Sectors}}
	if len(layers) > 0 {
		disc.Layers = layers
	}
	disc.Written.Add(sector.Span(0, s.Sectors))
	good := make([]bool, s.Blocks())
	var c []sim.Chance
	for round := range s.Rounds {
		r := mapfile.Round{Opened: time.Unix(int64(round), 0)}
		for _, x := range s.Rounds[round] {
			treatment, err := ParseTreatment(strings.NewReplacer(", 2 strokes", "", "polish,", "polish fine,").Replace(x.String()))
			if err != nil {
				t.Fatal(err)
			}
			r.Treatments = append(r.Treatments, treatment)
		}
		m.AddRound(r)
		if round == 0 {
			if err := m.SetDisc(disc); err != nil {
				t.Fatal(err)
			}
			m.AddDrive(mapfile.Drive{Node: "A"})
		}
		pass, err := m.AddPass(mapfile.Pass{Round: round})
		if err != nil {
			t.Fatal(err)
		}
		sums := make([]uint32, 16)
		for b := range s.Blocks() {
			if good[b] {
				continue
			}
			run := mapfile.Run{Range: sector.Span(sector.LBA(16*b), 16), Result: mapfile.Failed, Attempts: 1}
			if c = d.AppendChances(c[:0], round, b); c[0].Readable() {
				run.Result, good[b] = mapfile.Delivered, true
			}
			if run.Result.Came() {
				_, err = m.Record(pass, run, sums)
			} else {
				_, err = m.Record(pass, run, nil)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	return m
}

// TestSurface: the map of a case has the marks, where there is most to win, what became
// of the marks, and says how the disc is held.
func TestSurface(t *testing.T) {
	m := markedCase(t, "plain")
	before := SurfaceOf(m, 0)
	v := chart.View{Layer: chart.AllLayers}
	before.into(&v)
	if len(v.Marks) < 9 || v.Treat == nil || v.Field == nil {
		t.Fatalf("%d marks, region %v, field %v; want 9 marks and both", len(v.Marks), v.Treat, v.Field != nil)
	}
	var found int64
	for _, x := range v.Marks {
		found += x.Costs
	}
	if missing := before.found[0].Missing; found > missing || found < missing*3/4 {
		t.Errorf("marks cost %d sectors; want most of the %d that failed, and no more", found, missing)
	}
	after := chart.View{Layer: chart.AllLayers}
	SurfaceOf(m, 1).into(&after)
	if len(after.Gone) == 0 {
		t.Error("no mark is gone after the treatment; want some")
	}

	// How somebody holds the disc who sees five of the marks, turned by 100 degrees.
	held := func(side chart.Side) (places []chart.Place) {
		for i, x := range v.Marks {
			if i%2 > 0 || len(places) == 5 || x.To-x.From >= 1 {
				continue
			}
			at := chart.Polar{Radius: (x.Inner + x.Outer) / 2, Angle: (x.From + x.To) / 2}
			if len(x.Line) == 3 {
				at = x.Line[1]
			}
			clock := at.Angle + 100./360
			if side == chart.Label {
				clock = -clock
			}
			p, err := chart.ParsePlace(chart.Place{Radius: at.Radius, Clock: clock - math.Floor(clock)}.String())
			if err != nil {
				t.Fatal(err)
			}
			places = append(places, p)
		}
		return places
	}
	both := []chart.Side{chart.Reading, chart.Label}
	for _, side := range both {
		h, err := heldOn(before, held(side), both, chart.AllLayers)
		if err != nil {
			t.Fatalf("held from the %v: %v", side, err)
		}
		if want := map[chart.Side]string{chart.Reading: "read", chart.Label: "label"}[side]; h.Side != want || math.Abs(h.TurnDeg-100) > 6 || h.OffMM > 2 {
			t.Errorf("held = %s, %.1f°, off by %.1f mm; want %s, 100°, next to nothing", h.Side, h.TurnDeg, h.OffMM, want)
		}
		if s := HeldInWords(h); !strings.Contains(s, "mm") || !strings.Contains(s, side.String()) {
			t.Errorf("HeldInWords = %q; want the side and the residual", s)
		}
	}
	if _, err := heldOn(before, held(chart.Reading)[:1], both, chart.AllLayers); !errors.Is(err, chart.ErrFewPlaces) {
		t.Errorf("held by one place: %v; want %v", err, chart.ErrFewPlaces)
	}
}

// TestChartOfSurface: the drawn map has marks and region in its text and numbers.
func TestChartOfSurface(t *testing.T) {
	p, err := DamageMap(markedCase(t, "plain"), chart.View{Round: 0, Layer: chart.AllLayers})
	if err != nil {
		t.Fatal(err)
	}
	var text, numbers bytes.Buffer
	if err := errors.Join(p.Text(&text, chart.Style{Width: 80}), p.JSON(&numbers)); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Marks found", "There is most to win at", "Wet, not dry", "turned against each other"} {
		if !strings.Contains(strings.Join(strings.Fields(text.String()), " "), want) {
			t.Errorf("the text has no %q", want)
		}
	}
	var doc struct {
		Marks []struct{ Costs int64 }
		Treat *struct{ Share float64 }
	}
	if err := json.Unmarshal(numbers.Bytes(), &doc); err != nil || len(doc.Marks) < 9 || doc.Treat == nil || doc.Treat.Share <= 0 {
		t.Errorf("JSON has %d marks and the region %v (%v); want 9 at least, and one", len(doc.Marks), doc.Treat, err)
	}
}

// TestGlance: the place with most to win by radius alone is that of the model's marks. Who
// polishes is advised to begin there, with a band that hands can treat.
func TestGlance(t *testing.T) {
	nominal, err := spiral.Nominal("dvd", true, 480_000)
	if err != nil {
		t.Fatal(err)
	}
	m := mapfile.New("ring")
	m.AddRound(mapfile.Round{})
	d := mapfile.Disc{Kind: "dvd", Sectors: 480_000, BlockSectors: 16}
	d.Written.Add(sector.Span(0, d.Sectors))
	if err := m.SetDisc(d); err != nil {
		t.Fatal(err)
	}
	m.AddDrive(mapfile.Drive{Node: "A"})
	if _, err := m.AddPass(mapfile.Pass{}); err != nil {
		t.Fatal(err)
	}
	var lo, hi sector.LBA
	for a := sector.LBA(0); a < 480_000; a += 16 {
		if r := nominal.At(float64(a)).Radius; r < 28.2 {
			lo, hi = a, a
		} else if r < 28.8 {
			hi = a
		}
	}
	if _, err := m.Record(0, mapfile.Run{Range: sector.Range{First: lo, End: hi}, Result: mapfile.Failed, Attempts: 1}, nil); err != nil {
		t.Fatal(err)
	}
	_, sentences, err := Glance(m)
	if err != nil || len(sentences) != 1 || !strings.Contains(sentences[0], "in the ring from 28 to 29 mm: 100 %") {
		t.Errorf("Glance = %q, %v; want the ring from 28 to 29 mm", sentences, err)
	}
	advised := slices.ContainsFunc(Advise(m), func(a Advice) bool {
		return a.Do == `turnstone round CASE "polish fine, 90 s, 24-32 mm"` && strings.Contains(a.Why, " Begin with 28–29 mm: 100 % of what failed lies there.")
	})
	if !advised {
		t.Errorf("Advise = %+v; want a polish that begins with 28 to 29 mm, of a band of 8", Advise(m))
	}
}

// TestDeepAgainstTruth: of a simulated disc two arcs are too deep for what two treatments
// take off, as damage on the label side is. The map warns of them after the second, and
// of no other mark; and not of those of a disc that one treatment has helped.
func TestDeepAgainstTruth(t *testing.T) {
	m := markedCase(t, "deep")
	warned := func(s *Surface) (costs int64, notes string) {
		for i, x := range s.found[0].Marks {
			if s.lasting[0][i] < deepAfter {
				continue
			}
			costs += x.Costs
			if r := x.Middle.Radius; math.Abs(r-25.2) > .5 && math.Abs(r-28.6) > .5 {
				t.Errorf("a %s at %.2f mm is taken for deep; want only those at 25.2 and 28.6 mm", x.Kind, r)
			}
		}
		return costs, strings.Join(s.deepNotes(chart.AllLayers), " ")
	}
	for round, want := range []bool{false, false, true} {
		s := SurfaceOf(m, round)
		costs, notes := warned(s)
		if got := strings.Contains(notes, "label side"); got != want {
			t.Errorf("after round %d: %q; a warning %v", round, notes, want)
		}
		if missing := s.found[0].Missing; want && 4*costs < 3*missing {
			t.Errorf("after round %d the warning is of %d sectors; want three quarters at least of the %d that are missing", round, costs, missing)
		}
	}
	if _, notes := warned(SurfaceOf(markedCase(t, "plain"), 1)); notes != "" {
		t.Errorf("of a disc treated once: %q; want no warning", notes)
	}
}
