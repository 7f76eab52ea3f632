package spiral

import (
	"fmt"
	"math"
	"slices"

	"turnstone/device/sector"
)

// Shape is what makes a track. Lengths are in mm.
type Shape struct {
	Inner  float64 // radius at which sector 0 begins
	Pitch  float64 // from turn to turn
	Sector float64 // length of one sector along the track

	Layers   []int64 // sectors of each layer, in order of address
	Opposite bool    // track path of several layers: opposite, or parallel
	Wander   Wander
}

// Capacity is the number of whole sectors of one layer between the inner radius
// and outer, in mm, on an even pitch.
func (s Shape) Capacity(outer float64) int64 {
	return int64(math.Pi * max(0, outer*outer-s.Inner*s.Inner) / (s.Pitch * s.Sector))
}

// Wander is a swing of the pitch with the radius. The zero value is none.
type Wander struct {
	Amplitude float64 // of the pitch, in mm; at most a tenth of the pitch
	Length    float64 // of one period along the radius, in mm
	Phase     float64 // at the inner radius, in turns of the sine
}

// SeededWander is a wander whose phase is drawn from the seed; the same seed
// gives the same phase everywhere.
func SeededWander(amplitude, length float64, seed uint64) Wander {
	// The finaliser of SplitMix64 spreads neighbouring seeds.
	z := seed + 0x9E3779B97F4A7C15
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	z ^= z >> 31
	return Wander{amplitude, length, float64(z>>11) / (1 << 53)}
}

// Place is a place of the track.
type Place struct {
	Layer  int
	Radius float64 // in mm
	Turn   float64 // turns since angle 0; the fraction is the angle
}

// Angle is the angle in turns, from 0 up to and not including 1.
func (p Place) Angle() float64 { return fraction(p.Turn) }

// XY is the place on the disc's plane, in mm from the spindle.
func (p Place) XY() (x, y float64) {
	sin, cos := math.Sincos(2 * math.Pi * p.Angle())
	return p.Radius * cos, p.Radius * sin
}

func fraction(t float64) float64 {
	if f := t - math.Floor(t); f < 1 {
		return f
	}
	return 0 // t is so little below a whole number that the difference rounds to 1
}

// Track is the track of one disc. It does not change and may be used by several
// goroutines.
type Track struct {
	shape Shape
	area  float64 // L·p/π: what one sector adds to the square of the radius
	legs  []leg
}

// New makes a track. An error is returned when a length is not a sensible
// number, when there are no layers, more than four or an empty one, when a
// layer on opposite track path is longer inwards than the one before it was
// outwards, or when the track leaves the disc.
func New(s Shape) (*Track, error) {
	for _, v := range []struct {
		name               string
		value, least, most float64
	}{
		{"inner radius", s.Inner, hole, edge},
		{"pitch", s.Pitch, 0.0001, 0.1},
		{"sector length", s.Sector, 0.1, 1000},
		{"amplitude of the wander", s.Wander.Amplitude, 0, s.Pitch / 10},
	} {
		if !(v.least <= v.value && v.value <= v.most) { // also refuses NaN
			return nil, fmt.Errorf("spiral: %s of %v mm is not between %v and %v", v.name, v.value, v.least, v.most)
		}
	}
	if w := s.Wander; w.Amplitude != 0 {
		if !(1 <= w.Length && w.Length <= 1000) {
			return nil, fmt.Errorf("spiral: length of the wander of %v mm is not between 1 and 1000", w.Length)
		}
		if !(0 <= w.Phase && w.Phase <= 1) {
			return nil, fmt.Errorf("spiral: phase of the wander of %v turns is not between 0 and 1", w.Phase)
		}
	}
	if len(s.Layers) == 0 || len(s.Layers) > 4 {
		return nil, fmt.Errorf("spiral: a disc has 1 to 4 layers, not %d", len(s.Layers))
	}
	s.Layers = slices.Clone(s.Layers)
	t := &Track{shape: s, area: s.Sector * s.Pitch / math.Pi}
	first, start, turn, dir := int64(0), s.Inner, 0.0, 1.0
	room := s.Capacity(2 * edge) // far more than any disc, far less than an overflow
	for i, n := range s.Layers {
		switch {
		case n <= 0:
			return nil, fmt.Errorf("spiral: layer %d of %d sectors", i, n)
		case n > room:
			return nil, fmt.Errorf("spiral: layer %d of %d sectors leaves the disc", i, n)
		case dir < 0 && n > s.Layers[i-1]:
			return nil, fmt.Errorf("spiral: layer %d runs inwards and holds %d sectors, more than the %d of the layer before it",
				i, n, s.Layers[i-1])
		}
		t.legs = append(t.legs, t.leg(first, n, start, turn, dir))
		l := &t.legs[i]
		end, turns := l.place(t, l.count)
		if end > edge {
			return nil, fmt.Errorf("spiral: layer %d of %d sectors ends at %.1f mm, outside the disc", i, n, end)
		}
		l.turns = turns
		first += n
		if s.Opposite {
			start, turn, dir = end, turn+turns, -dir
		}
	}
	return t, nil
}

// Shape is what the track was made from.
func (t *Track) Shape() Shape {
	s := t.shape
	s.Layers = slices.Clone(s.Layers)
	return s
}

// Layers is the number of layers.
func (t *Track) Layers() int { return len(t.legs) }

// Layer is the sectors of a layer, counted from 0; empty where there is none.
func (t *Track) Layer(i int) sector.Range {
	if i < 0 || i >= len(t.legs) {
		return sector.Range{}
	}
	return t.legs[i].sectors()
}

// Sectors is the number of sectors of all layers.
func (t *Track) Sectors() int64 { return int64(t.legs[len(t.legs)-1].sectors().End) }

// PerTurn is the number of sectors of one turn at a radius in mm.
func (t *Track) PerTurn(radius float64) float64 { return 2 * math.Pi * radius / t.shape.Sector }

// At is the place at a position along the track, in sectors and parts of one
// from the start of sector 0. Positions outside the track count as its ends.
func (t *Track) At(position float64) Place {
	i := 0
	for i < len(t.legs)-1 && position >= t.legs[i].first+t.legs[i].count {
		i++
	}
	l := &t.legs[i]
	k := position - l.first
	switch {
	case k > l.count:
		k = l.count
	case !(k > 0): // also NaN
		k = 0
	}
	r, s := l.place(t, k)
	return Place{i, r, l.turn + s}
}
