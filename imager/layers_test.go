package imager

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// TestLayersAsOne: what lies under both layers of a disc is listed once, the costliest
// first, with what it costs in each; a view of one layer has that layer's marks only.
func TestLayersAsOne(t *testing.T) {
	const half = 432_000
	s := SurfaceOf(markedCase(t, "both", half, half), 0)
	if s.across == nil {
		t.Fatal("it is not told how the layers stand to each other; want it told")
	}
	v := chart.View{Layer: chart.AllLayers}
	s.into(&v)
	one := chart.View{Layer: 1}
	s.into(&one)
	var costs, own int64
	both := 0
	for i, m := range v.Marks {
		costs += m.Costs
		if i > 0 && m.Costs > v.Marks[i-1].Costs {
			t.Errorf("mark %d costs %d, and the one before %d; want the costliest first", i, m.Costs, v.Marks[i-1].Costs)
		}
		if strings.Contains(m.Note, "in both layers") {
			both++
		} else if !strings.Contains(m.Note, "on layer ") {
			t.Errorf("note of mark %d = %q; want its layer", i, m.Note)
		}
	}
	for layer := range s.found {
		for _, m := range s.found[layer].Marks {
			own += m.Costs
		}
	}
	if costs != own {
		t.Errorf("marks cost %d sectors as they are listed; want %d, what they cost layer by layer", costs, own)
	}
	if both < 8 {
		t.Errorf("%d marks are listed as in both layers; want 8 at least", both)
	}
	for _, m := range one.Marks {
		if !strings.Contains(m.Note, "on layer 1") {
			t.Errorf("note of a mark of layer 1 = %q; want its layer", m.Note)
		}
	}
	told := func(v chart.View) bool {
		return slices.ContainsFunc(v.Notes, func(n string) bool { return strings.Contains(n, "brought to those of layer 0") })
	}
	if !told(v) || !told(one) {
		t.Errorf("notes = %q; want how the layers stand to each other", v.Notes)
	}

	// Drawn, the layers' angles agree: the costliest marks of layer 1 lie, by its track as
	// chart has it, where they are said to.
	l := s.shape.Layers[1]
	for _, m := range s.found[1].Marks[:6] {
		turns := l.Track.At(float64(m.Blocks()[len(m.Blocks())/2]*16)).Turn + l.Turn
		if per := l.Track.At(float64(m.Blocks()[0]*16+16)).Turn - l.Track.At(float64(m.Blocks()[0]*16)).Turn; math.Abs(math.Remainder(turns+per/2-m.Middle.Angle, 1)) > per/2+.1 {
			t.Errorf("a block of the %s at %.1f mm is drawn at %.0f°; want it over the mark at %.0f°", m.Kind, m.Middle.Radius, 360*math.Mod(turns, 1), 360*m.Middle.Angle)
		}
	}
}

// TestNamedOnSecondLayer: a mark of the second layer alone turns the map by its number where
// the layers were brought together, also once the map was turned and bent before; where they
// were not, that is said.
func TestNamedOnSecondLayer(t *testing.T) {
	const half = 432_000
	m := markedCase(t, "both", half, half)
	from := []chart.Side{chart.Reading}
	for _, held := range []bool{false, true} {
		s := SurfaceOf(m, 0)
		if s.across == nil {
			t.Fatal("it is not told how the layers stand to each other; want it told")
		}
		list := s.listOf(1)
		tell := func(n int, by float64) chart.Place {
			c := list[n-1].drawn(2)
			at := (c.From + c.To) / 2
			if len(c.Line) == 3 {
				at = c.Line[1].Angle
			}
			return chart.Place{Mark: n, Clock: math.Mod(at+by+1, 1), Step: 1. / 360}
		}
		one, err := heldOn(s, []chart.Place{tell(1, .2)}, from, 1)
		if err != nil || len(one.Places) != 1 || one.OffMM > .1 {
			t.Fatalf("held by mark 1 of layer 1: %+v, %v; want it turned by that", one, err)
		}
		d := m.Disc()
		d.Held = &one
		if err := m.SetDisc(d); err != nil {
			t.Fatal(err)
		}
		// Drawn again, it lies where it was seen.
		again := SurfaceOf(m, 0)
		lies := math.Inf(1)
		for _, l := range again.listOf(1) {
			if c := l.drawn(2); math.Abs(l.mark.Middle.Radius-list[0].mark.Middle.Radius) < .2 && len(c.Line) == 3 {
				lies = min(lies, 360*math.Abs(math.Remainder(c.Line[1].Angle+one.TurnDeg/360-tell(1, .2).Clock, 1)))
			}
		}
		if lies > 3 {
			t.Errorf("held before: %v: mark 1 lies %.1f° from where it was seen; want 3° at most", held, lies)
		}
		if held {
			continue
		}
		three, err := heldOn(s, []chart.Place{tell(1, .3), tell(2, .33), tell(4, .28)}, from, 1)
		if err != nil {
			t.Fatalf("held by three marks of layer 1: %v", err)
		}
		d.Held = &three
		if err := m.SetDisc(d); err != nil {
			t.Fatal(err)
		}
	}
	s := SurfaceOf(m, 0)
	s.across = nil
	list := s.listOf(chart.AllLayers)
	n := 1 + slices.IndexFunc(list, func(l layerMark) bool { return l.layer == 1 })
	if _, err := heldOn(s, []chart.Place{{Mark: n}}, from, chart.AllLayers); !errors.Is(err, ErrOtherLayer) {
		t.Errorf("held by mark %d of layer 1, which is apart: %v; want %v", n, err, ErrOtherLayer)
	}
}

// TestLayersApart: where too little lies under both layers nothing is said to be one.
func TestLayersApart(t *testing.T) {
	const half, near = 432_000, 70_000 // sectors: within some two mm of the innermost
	m := markedCase(t, "both", half, half)
	pass, err := m.AddPass(mapfile.Pass{})
	if err != nil {
		t.Fatal(err)
	}
	var rest []sector.Range
	for r := range m.Ranges(mapfile.Bad, sector.Span(near, 2*(half-near))) {
		rest = append(rest, r)
	}
	for _, r := range rest {
		if _, err := m.Record(pass, mapfile.Run{Range: r, Result: mapfile.Delivered, Attempts: 1}, make([]uint32, r.Count())); err != nil {
			t.Fatal(err)
		}
	}
	s := SurfaceOf(m, 0)
	v := chart.View{Layer: chart.AllLayers}
	s.into(&v)
	if len(v.Marks) < 2 {
		t.Errorf("%d marks; want some in each layer", len(v.Marks))
	}
	layers := map[bool]bool{}
	for _, m := range v.Marks {
		if strings.Contains(m.Note, "both") {
			t.Errorf("note = %q; want one layer", m.Note)
		}
		layers[strings.Contains(m.Note, "on layer 1")] = true
	}
	if len(layers) != 2 {
		t.Error("the marks are of one layer; want some of each")
	}
	if !slices.ContainsFunc(v.Notes, func(n string) bool { return strings.Contains(n, "is not known") }) {
		t.Errorf("notes = %q; want that it is not known how the layers stand to each other", v.Notes)
	}
}
