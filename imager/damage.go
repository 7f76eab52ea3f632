package imager

import (
	"slices"

	"turnstone/device/spiral"
	"turnstone/imager/plan"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// DamageMap draws the map of a case as a view wants it. What the case knows beyond the
// map's states goes in: the disc's shape, the marks found, how the disc is held, where
// there is most to win, what was taken off, what the eye saw. An error is returned when
// the case has no such round, or the disc no such layer.
func DamageMap(m *mapfile.Map, v chart.View) (*chart.Picture, error) {
	last := len(m.Rounds()) - 1
	round := v.Round
	if round < 0 || round > last {
		round = last
	}
	return DamageMapOn(m, SurfaceOf(m, round), v)
}

// DamageMapOn is DamageMap with what is known of the surface in the view's round
// (SurfaceOf), which is what takes the time: for several views of one state.
func DamageMapOn(m *mapfile.Map, s *Surface, v chart.View) (*chart.Picture, error) {
	d := m.Disc()
	if taken, ok := chart.TakenOff(m.Rounds()); ok {
		v.Material = &taken
	}
	if d.Seen != nil && d.Seen.Label == "holes" {
		v.Notes = append(v.Notes, lightThrough)
	}
	if s == nil {
		return chart.Of(m, shapeOf(d), v)
	}
	if d.Held != nil {
		v.Notes = append(v.Notes, HeldInWords(*d.Held))
	}
	s.into(&v)
	return chart.Of(m, s.shape, v)
}

// lightThrough is what holes in the label mean.
const lightThrough = "Light through the disc means that data is gone; polishing won't help."

// modelOf is the task by which the plan's model of a round's surface is made anew:
// that of the drive which asked for most in it; Drive is -1 where none did.
func modelOf(m *mapfile.Map, round int) plan.Task {
	d := m.Disc()
	t := plan.Task{Disc: planDisc(d), Good: m.In(mapfile.Good), Round: round, Drive: -1}
	asked := map[int]int64{}
	for n, p := range m.Passes() {
		if p.Round > round || p.Drive < 0 {
			continue
		}
		past := plan.Past{Round: p.Round, Drive: p.Drive, Settings: p.Settings, Runs: slices.Collect(m.Runs(n))}
		t.History = append(t.History, past)
		if p.Round != round {
			continue
		}
		for _, r := range past.Runs {
			asked[p.Drive] += r.Range.Count()
		}
		if t.Drive < 0 || asked[p.Drive] > asked[t.Drive] {
			t.Drive = p.Drive
		}
	}
	return t
}

// shapeOf is how a case's disc is shaped. Without layers its geometry is not known: a
// plain device's or a file's means nothing.
func shapeOf(d mapfile.Disc) chart.Disc {
	shape := chart.Disc{Diameter: chart.Usual}
	if d.Seen != nil && d.Seen.SizeCM == 8 {
		shape.Diameter = chart.Small
	}
	if kindUnknown(d.Kind) || d.Sectors == 0 {
		return shape
	}
	layers := d.Layers
	var sum int64
	for _, n := range layers {
		sum += n
	}
	if sum != d.Sectors { // the drive tells of the layers' lengths what it likes
		layers = spiral.GuessLayers(d.Kind, d.Sectors, max(1, d.BlockSectors))
	}
	if track, err := spiral.Nominal(d.Kind, !d.Parallel, layers...); err == nil {
		shape.Layers = chart.Layers(track, chart.NoAngles)
	}
	return shape
}
