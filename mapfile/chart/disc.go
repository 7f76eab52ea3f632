package chart

import (
	"errors"
	"fmt"

	"turnstone/device/spiral"
)

// Radii of a disc in mm, as they are drawn. Where the program area of a kind of
// disc begins and ends, package spiral knows.
const (
	holeRadius  = 7.5  // centre hole of 15 mm diameter (ECMA-267 10)
	clampRadius = 16.5 // clamping zone of 22 to 33 mm diameter (ECMA-267 10 [memory])
)

// Diameters of discs in mm.
const (
	Usual = 120.0
	Small = 80.0
)

// Disc is how the disc of a case is shaped, as far as it is known.
type Disc struct {
	Diameter float64 // in mm; 0 counts as Usual
	// Layers in order of address. Without any nothing is known of the geometry,
	// and pictures are strips over addresses.
	Layers []Layer
}

// Layer is where a layer's sectors lie.
type Layer struct {
	Track *spiral.Track
	Index int     // of the layer in Track
	Turn  float64 // turns that are added to Track's, such as a second layer's start
	// Doubt is how far angles may be off either way, in turns. Nominal tracks are
	// good for radii; over the turns of a real disc they lose the angle (package
	// spiral), which is a Doubt of NoAngles.
	Doubt float64
	// Drift is by how many turns places that lie millimetres apart in radius may be off
	// against each other, while the shape of a mark holds (package marks); 0: not at all.
	Drift float64
}

// NoAngles is the Doubt of a layer of which only radii are known.
const NoAngles = 0.5

// ErrNoLayer is returned for a layer that a disc has not.
var ErrNoLayer = errors.New("there is no layer")

// CheckLayer returns ErrNoLayer unless the disc has the layer, or it is AllLayers. A disc of
// unknown geometry has one.
func (d Disc) CheckLayer(layer int) error {
	if n := max(1, len(d.Layers)); layer != AllLayers && (layer < 0 || layer >= n) {
		return fmt.Errorf("%w %d; the disc has %d", ErrNoLayer, layer, n)
	}
	return nil
}

// Layers are the layers of one track that is known alike everywhere.
func Layers(t *spiral.Track, doubt float64) []Layer {
	var all []Layer
	for i := range t.Layers() {
		all = append(all, Layer{Track: t, Index: i, Doubt: doubt})
	}
	return all
}

// edge is the radius of the disc.
func (d Disc) edge() float64 {
	if d.Diameter > 0 {
		return d.Diameter / 2
	}
	return Usual / 2
}

// radii are the innermost and the outermost radius of the layer's track.
func (l Layer) radii() (inner, outer float64) {
	r := l.Track.Layer(l.Index)
	// At counts the layer's very end to the next layer.
	a, b := l.Track.At(float64(r.First)).Radius, l.Track.At(float64(r.End)-1e-6).Radius
	return min(a, b), max(a, b)
}

// Side is the side of the disc from which it is looked at.
type Side int

const (
	Reading Side = iota // the side that the laser enters
	Label
)

// String is the side in words.
func (s Side) String() string {
	if s == Label {
		return "label side"
	}
	return "reading side"
}

// turning is the sense in which the disc turns in the drive, as seen from the
// side (ECMA-267 10.6.4 and 14 [memory]).
func (s Side) turning() string {
	if s == Label {
		return "clockwise"
	}
	return "counter-clockwise"
}

// onPaper is where an angle of the disc lies on the picture: in turns, clockwise
// from 12 o'clock, from 0 up to and not including 1. Turn is the view's, in turns.
func (s Side) onPaper(angle, turn float64) float64 {
	a := angle + turn
	if s == Label {
		a = -a
	}
	return fraction(a)
}

// onDisc is the inverse of onPaper.
func (s Side) onDisc(paper, turn float64) float64 {
	if s == Label {
		paper = -paper
	}
	return fraction(paper - turn)
}
