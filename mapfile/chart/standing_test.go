package chart

import (
	"fmt"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// story is a case of 1,000 sectors over three rounds:
//
//	sectors   round 0            round 1 (polish)    round 2 (sand)
//	0+100     came
//	100+100   failed             came
//	200+100   failed             failed              not asked
//	300+100   failed             failed              failed
//	400+100   failed             not asked           failed, then merged
//	500+100   never              never               came
//	600+400   never
func story(t *testing.T) *mapfile.Map {
	m := caseOf(t, 1000)
	p0 := pass(t, m, mapfile.Pass{})
	record(t, m, p0, sector.Span(0, 100), mapfile.Delivered)
	record(t, m, p0, sector.Span(100, 400), mapfile.Failed)
	m.AddRound(mapfile.Round{Treatments: []mapfile.Treatment{{Typed: "polish fine", Word: "polish"}}})
	p1 := pass(t, m, mapfile.Pass{Round: 1})
	record(t, m, p1, sector.Span(100, 100), mapfile.Delivered)
	record(t, m, p1, sector.Span(200, 200), mapfile.Failed)
	m.AddRound(mapfile.Round{Treatments: []mapfile.Treatment{{Typed: "sand 2000", Word: "sand"}, {Typed: "polish fine", Word: "polish"}}})
	p2 := pass(t, m, mapfile.Pass{Round: 2})
	record(t, m, p2, sector.Span(300, 200), mapfile.LostTrack)
	record(t, m, p2, sector.Span(500, 100), mapfile.Delivered)
	p3 := pass(t, m, mapfile.Pass{Round: 2, Drive: -1, Origin: &mapfile.Origin{Case: "other"}})
	record(t, m, p3, sector.Span(400, 100), mapfile.Merged)
	return m
}

func standsAfter(m *mapfile.Map, round int) standing {
	sc := scaleOf(Disc{}, m.Disc().Sectors)
	return standingAfter(m, round, passesUpTo(m, round, &sc))
}

func TestStandingAfterEachRound(t *testing.T) {
	m := story(t)
	for round, want := range []string{
		"round 0 0+100 · not asked yet 500+500 · on this surface 100+400",
		"round 0 0+100 · round 1 100+100 · not asked yet 500+500 · last treatment 400+100 · on this surface 200+200",
		"round 0 0+100 · round 1 100+100 · round 2 400+200 · not asked yet 600+400 · last treatment 200+100 · on this surface 300+100",
	} {
		s := standsAfter(m, round)
		var got []string
		for i, c := range s.classes {
			name := c.words
			switch {
			case c.kind == won:
				name = fmt.Sprintf("round %d", c.first)
			case c.kind != notAsked:
				name = map[kind]string{notSince: "last treatment", failed: "on this surface"}[c.kind]
			}
			for r := range s.sets[i].Runs() {
				got = append(got, fmt.Sprintf("%s %v", name, r))
			}
		}
		if text := strings.Join(got, " · "); text != want {
			t.Errorf("after round %d: %s; want %s", round, text, want)
		}
	}
}

// What is found rotten in the image is not asked for now.
func TestStandingOfRottenSectors(t *testing.T) {
	m := story(t)
	m.Rot(5)
	s := standsAfter(m, 2)
	for i, c := range s.classes {
		if s.sets[i].Contains(5) && c.kind != notAsked {
			t.Errorf("sector 5 is %q; want not asked yet", c.words)
		}
	}
}

// Only the written area counts.
func TestStandingWithinTheWrittenArea(t *testing.T) {
	m := mapfile.New("holes")
	written := sector.Of(sector.Span(10, 20), sector.Span(50, 30))
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: 100, BlockSectors: 16, Written: written}); err != nil {
		t.Fatal(err)
	}
	m.AddRound(mapfile.Round{})
	m.AddDrive(mapfile.Drive{})
	record(t, m, pass(t, m, mapfile.Pass{}), sector.Span(0, 60), mapfile.Delivered)
	p := picture(t, m, Disc{}, View{Round: Latest, Layer: AllLayers})
	if got := p.standing(); got != "Of 50 sectors 30 (60 %) are in the image, 20 are missing." {
		t.Errorf("standing() = %q; want 30 of 50", got)
	}
}

// More rounds than tints: those after the first become one class, the latest stay.
func TestManyRounds(t *testing.T) {
	rounds := make([]mapfile.Round, 40)
	for last := range rounds {
		classes := wonClasses(rounds, last)
		next := 0
		for _, c := range classes {
			if c.first != next || c.last < c.first {
				t.Fatalf("after round %d a class has rounds %d to %d; want it to begin at %d", last, c.first, c.last, next)
			}
			next = c.last + 1
		}
		if next != last+1 || len(classes) > mostTints || len(classes) != min(last+1, mostTints) {
			t.Fatalf("after round %d: %d classes up to round %d", last, len(classes), next-1)
		}
	}
}

func TestOfErrors(t *testing.T) {
	m := caseOf(t, 1000)
	d := Disc{Layers: Layers(track(t, 1000), 0)}
	now := View{Round: Latest, Layer: AllLayers}
	with := func(change func(*View)) View { v := now; change(&v); return v }
	for name, c := range map[string]struct {
		d    Disc
		v    View
		want string
	}{
		"round":      {d, with(func(v *View) { v.Round = 1 }), "no round 1; the last is round 0"},
		"below":      {d, with(func(v *View) { v.Round = -2 }), "no round -2"},
		"layer":      {d, with(func(v *View) { v.Layer = 1 }), "no layer 1; the disc has 1"},
		"blind":      {Disc{}, with(func(v *View) { v.Layer = 1 }), "no layer 1"},
		"short":      {Disc{Layers: Layers(track(t, 999), 0)}, now, "the layers hold 999 sectors, and the disc 1000"},
		"no track":   {Disc{Layers: []Layer{{}}}, now, "layer 0 holds sectors"},
		"order":      {Disc{Layers: []Layer{{Track: track(t, 500, 500), Index: 1}}}, now, "want them to begin at 0"},
		"too small":  {Disc{Diameter: Small, Layers: Layers(track(t, 2295104), 0)}, now, "on a disc of 80 mm"},
		"no field":   {d, with(func(v *View) { v.Field = &Field{} }), "field of 0 bands"},
		"half field": {d, with(func(v *View) { v.Field = &Field{Step: 1, Bands: 2, Angles: 2, Loss: make([]float32, 4)} }), "0 certainties"},
	} {
		if _, err := Of(m, c.d, c.v); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: Of = %v; want %q in it", name, err, c.want)
		}
	}
	if _, err := Of(mapfile.New("new"), Disc{}, now); err != nil {
		t.Errorf("Of of a new map = %v; want a picture", err)
	}
}

// Cells that become one keep a scratch that is narrower than they are.
func TestCoarseField(t *testing.T) {
	f := &Field{Inner: 24, Step: 0.05, Bands: 680, Angles: 1440, Loss: make([]float32, 680*1440), Certainty: make([]float32, 680*1440)}
	for b := range f.Bands {
		for a := range f.Angles {
			f.Certainty[b*f.Angles+a] = 1
			if a == 777 {
				f.Loss[b*f.Angles+a] = 1
			}
		}
	}
	c := f.coarse()
	if err := c.check(); err != nil || c.Bands > mostFieldBands || c.Angles > mostFieldAngles {
		t.Fatalf("coarse() has %d bands and %d angles: %v", c.Bands, c.Angles, err)
	}
	if got := c.at(10, 777*c.Angles/f.Angles); got.loss < 0.5 || got.sure != 1 {
		t.Errorf("the scratch's cell has %+v; want a loss of a half at least", got)
	}
	if got := c.at(10, 5); got.loss != 0 {
		t.Errorf("a clean cell has %+v; want no loss", got)
	}
}

// All of a pass's time is shared out, and failures have what they took.
func TestShareOfTime(t *testing.T) {
	for _, c := range []struct {
		seconds              float64
		failures, came, want []float64
	}{
		{100, []float64{30, 0, 10}, []float64{0, 1, 2}, []float64{30, 20, 50}},
		{20, []float64{30, 0, 10}, []float64{0, 1, 2}, []float64{15, 0, 5}},
		{100, []float64{30, 10}, []float64{0, 0}, []float64{75, 25}},
		{100, []float64{0, 0}, []float64{0, 0}, []float64{0, 0}},
		{0, []float64{1, 0}, []float64{1, 1}, []float64{0, 0}},
		{-5, []float64{1, 0}, []float64{1, 1}, []float64{0, 0}},
	} {
		if got := share(c.seconds, c.failures, c.came); fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("share(%v, %v, %v) = %v; want %v", c.seconds, c.failures, c.came, got, c.want)
		}
	}
}
