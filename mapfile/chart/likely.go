package chart

import "math"

// How far places that people see may be off. All are common practice or chosen by trial
// on simulated discs.
const (
	mostRadiusOff = 3.0  // mm; the eye, a ruler and a nominal track
	mostClockOff  = 0.07 // turns beyond the ends of a mark: 50 minutes of the clock, 25°
	radiusOff     = 0.7  // mm, as a standard deviation: a ruler tells it
	alongOff      = 1.0  // mm along the circle, as well, beside the steps in which it was told
	wideOff       = 0.05 // of a mark's width, as well, ...
	fewOff        = 0.5  // ... and turns, by the root of the sectors that a mark costs
	offMiddle     = 0.15 // of places lie anywhere on their mark: it may be two that have grown into one
	strange       = 12.0 // cost of a place whose mark is not among those found, ...
	strangeOf     = 4    // of which one in so many may be
)

// target is a mark that a place may be of: its middle, or the part of it that was named.
type target struct {
	mark int // of the list
	at   Polar
	wide float64 // turns
	few  float64 // turns that its middle is off for the few sectors that tell it, as a standard deviation
	// rare is how rarely somebody tells of it, as a logarithm: people tell of the large
	// ones, the oftener by the root of what they cost.
	rare float64
	ways []float64 // turns by which a deviation in each way moves it
}

// angle is a target's angle with sways.
func (m *target) angle(by []float64) float64 {
	a := m.at.Angle
	for i, w := range m.ways {
		a += by[i] * w
	}
	return a
}

// eye is how far a place may be off along the circle, in mm, as a standard deviation:
// the eye's error, and that of a number rounded to some step.
func (p Place) eye() float64 {
	return math.Hypot(alongOff, p.Step/math.Sqrt(12)*2*math.Pi*p.Radius)
}

// few is by how many turns the middle of a mark is off for the few sectors that tell it.
func (m Mark) few() float64 {
	if m.Costs <= 0 { // not told
		return 0
	}
	return fewOff / math.Sqrt(float64(m.Costs))
}

// along is the same for a place that is told of a mark's middle: that of a wide mark, or of
// one that few sectors tell of, is less sure.
func (m *target) along(s Place) float64 {
	return math.Hypot(s.eye(), math.Hypot(wideOff*m.wide, m.few)*2*math.Pi*s.Radius)
}

// likely is how likely a place is by its distance from a mark along the circle, in turns:
// since its middle was told, any place on it, or, as good as never where its mark was
// named, any place at all. A place right at the middle of a narrow one has 1.
func (m *target) likely(s Place, da float64) (middle, all float64) {
	mm, eye, along := 2*math.Pi*s.Radius, s.eye(), m.along(s)
	whole := eye * math.Sqrt(2*math.Pi)
	z := da * mm / along
	beyond := max(0, math.Abs(da)-m.wide/2) * mm / eye
	middle = (1 - offMiddle) * eye / along * math.Exp(-z*z/2)
	anywhere := offMiddle * whole / (whole + m.wide*mm) * math.Exp(-beyond*beyond/2)
	if s.Mark > 0 {
		anywhere += slip
	}
	return middle, middle + anywhere
}

// off is how unlikely a place is of a mark, as the logarithm that counts twice.
func (m *target) off(s Place, da float64) float64 {
	dr := m.at.Radius - s.Radius
	_, all := m.likely(s, da)
	return dr*dr/(radiusOff*radiusOff) - 2*math.Log(all) + m.rare
}
