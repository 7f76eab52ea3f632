package imager

import (
	"turnstone/device/spiral"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// DamageMap draws the map of a case as a view wants it. What the case knows beyond the
// map's states goes in: the disc's shape, what was taken off, what the eye saw. An
// error is returned when the case has no such round, or the disc no such layer.
func DamageMap(m *mapfile.Map, v chart.View) (*chart.Picture, error) {
	d := m.Disc()
	if taken, ok := chart.TakenOff(m.Rounds()); ok {
		v.Material = &taken
	}
	if d.Seen != nil && d.Seen.Label == "holes" {
		v.Notes = append(v.Notes, "Light through the disc means that data is gone; polishing won't help.")
	}
	return chart.Of(m, shapeOf(d), v)
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
