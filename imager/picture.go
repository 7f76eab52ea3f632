package imager

import (
	"turnstone/device/sector"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// StandingMap draws what is in the image and what is missing, without the estimated
// damage, which takes most of DamageMap's time. Its errors are DamageMap's.
func StandingMap(m *mapfile.Map, v chart.View) (*chart.Picture, error) {
	return chart.Of(m, shapeOf(m.Disc()), v)
}

// RadiiOf tells of sectors how far from the disc's middle they lie, in mm, on a disc of the
// nominal shape; nil where nothing is known of the disc's geometry.
func RadiiOf(d mapfile.Disc) func(a sector.LBA) float64 {
	shape := shapeOf(d)
	if len(shape.Layers) == 0 {
		return nil
	}
	track := shape.Layers[0].Track // that of all layers
	return func(a sector.LBA) float64 { return track.At(float64(a)).Radius }
}

// RadiusOf is how far from a disc's middle a sector lies, in mm; not ok where the
// disc's geometry is not known, or the disc ends before.
func RadiusOf(d mapfile.Disc, at sector.LBA) (mm float64, ok bool) {
	radius := RadiiOf(d)
	if radius == nil || at < 0 || int64(at) >= d.Sectors {
		return 0, false
	}
	return radius(at), true
}
