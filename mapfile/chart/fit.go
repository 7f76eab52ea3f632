package chart

import (
	"errors"
	"math"
)

// Errors of FitTurn.
var (
	// ErrFewPlaces is returned when fewer than two places are given: one fits any
	// turn that brings any mark there.
	ErrFewPlaces = errors.New("two places at least are needed to turn the map")
	// ErrNoFit is returned when no turn brings a mark near to each of the places.
	ErrNoFit = errors.New("no turn of the map brings marks to all of these places")
)

// How far places that people see may be off, and what counts as another fit.
const (
	mostRadiusOff = 3.0  // mm; the eye, a ruler and a nominal track
	mostClockOff  = 0.07 // turns: 50 minutes of the clock, 25°
	apart         = 0.04 // turns by which two fits differ at least
	rivals        = 2.0  // a fit with less than this times the best one's residual is a rival
	radiusTells   = 3.0  // times as much as a place on the clock: a ruler tells it
	rivalFloor    = 1.5  // mm: residuals below are as good as none
)

// Fit is how the map is turned so that its marks lie where they are seen.
type Fit struct {
	Side Side    // from which the disc is looked at, by what fits
	Turn float64 // degrees, from 0 up to and not including 360: the Turn of a view from that side
	// Twist is the degrees by which the angles of marks grow more for each mm that these
	// lie farther out than Pivot, in mm. It is 0 unless angles drift and three places are
	// given.
	Twist, Pivot float64
	// Pairs are the marks that the places were taken for, by place.
	Pairs []int
	// Residual is the root of the mean square of the distances, in mm on the
	// surface, that are left between places and marks.
	Residual float64
	// Doubtful tells that quite another turn, or the other side, fits nearly as
	// well: a third place, off the line of the others, decides.
	Doubtful bool

	cost float64 // mm: the residual with radii counted more, and what a twist is charged
}

// FitTurn finds the turn by which the marks lie at the places where they are
// seen, and the side from which the disc is looked at. Marks that go all the way
// round are left out, since they lie at no angle. Where angles drift over the disc (see
// Layer), by so many turns, three places or more also tell by how much they do, evenly
// with the radius. ErrFewPlaces and ErrNoFit are returned.
func FitTurn(seen []Place, marks []Mark, drift float64) (Fit, error) {
	if len(seen) < 2 {
		return Fit{}, ErrFewPlaces
	}
	var found []numbered
	for i, m := range marks {
		if !m.whole() {
			found = append(found, numbered{i, m.middle()})
		}
	}
	var best, second Fit
	best.cost, second.cost = math.Inf(1), math.Inf(1)
	pivot, most, step := twists(seen, drift)
	twisted := make([]numbered, len(found))
	for twist := -most; twist <= most+step/2; twist += step {
		for i, m := range found {
			m.at.Angle += twist * (m.at.Radius - pivot)
			twisted[i] = m
		}
		fitTurn(seen, twisted, twist, charged*math.Abs(twist)*driftOver/max(drift, 1e-9), &best, &second)
		if most == 0 {
			break
		}
	}
	if math.IsInf(best.cost, 1) {
		return Fit{}, ErrNoFit
	}
	best.Doubtful = second.cost < max(rivals*best.cost, rivalFloor)
	best.Turn *= 360
	best.Twist, best.Pivot = 360*best.Twist, pivot
	return best, nil
}

// How angles that drift are looked for: in turns over the places' radii.
const (
	driftReach = 3.0   // times the drift, over driftOver mm of radius
	driftOver  = 10.0  // mm
	driftStep  = 0.014 // 5°
	charged    = 2.0   // mm, for a twist as large as the drift over driftOver
	leastApart = 3.0   // mm of radius between places that tell of a drift
)

// twists are the twists to try, in turns a mm: from -most to most; 0 where places can't
// tell.
func twists(seen []Place, drift float64) (pivot, most, step float64) {
	lo, hi := math.Inf(1), 0.0
	for _, s := range seen {
		lo, hi = min(lo, s.Radius), max(hi, s.Radius)
	}
	pivot = (lo + hi) / 2
	if len(seen) < 3 || hi-lo < leastApart || !(drift > 0) {
		return pivot, 0, 1
	}
	step = driftStep / (hi - lo)
	most = math.Ceil(min(drift, NoAngles)*driftReach/driftOver/step) * step
	return pivot, most, step
}

// fitTurn looks for better fits than the best and the second, with marks that are twisted
// already, which is charged so many mm.
func fitTurn(seen []Place, found []numbered, twist, charge float64, first, next *Fit) {
	best, second := *first, *next
	for _, side := range []Side{Reading, Label} {
		for _, s := range seen {
			for _, m := range found {
				if math.Abs(s.Radius-m.at.Radius) > mostRadiusOff {
					continue
				}
				f, ok := fitAround(seen, found, side, side.turnFor(m.at.Angle, s.Clock))
				f.Twist = twist
				f.cost = math.Hypot(f.cost, charge)
				switch {
				case !ok:
				case f.cost < best.cost:
					if !f.like(best) {
						second = best
					}
					best = f
				case f.cost < second.cost && !f.like(best):
					second = f
				}
			}
		}
	}
	*first, *next = best, second
}

// numbered is a mark's middle and its number.
type numbered struct {
	mark int
	at   Polar
}

// turnFor is the turn of the view that brings an angle to a place of the clock.
func (s Side) turnFor(angle, clock float64) float64 {
	if s == Label {
		clock = -clock
	}
	return fraction(clock - angle)
}

// like tells whether two fits are the same but for little.
func (f Fit) like(o Fit) bool {
	return f.Side == o.Side && math.Abs(math.Remainder(f.Turn-o.Turn, 1)) < apart
}

// fitAround pairs each place with the mark that lies nearest to it at a turn,
// each mark once, and gives the best turn for these pairs; in turns.
func fitAround(seen []Place, found []numbered, side Side, turn float64) (Fit, bool) {
	f := Fit{Side: side, Pairs: make([]int, len(seen))}
	taken := make([]bool, len(found))
	var off, weights float64
	for i, s := range seen {
		nearest, least := -1, math.Inf(1)
		for j, m := range found {
			dr, da := m.at.Radius-s.Radius, math.Remainder(side.onPaper(m.at.Angle, turn)-s.Clock, 1)
			if d := math.Hypot(radiusTells*dr, 2*math.Pi*s.Radius*da); !taken[j] && math.Abs(dr) <= mostRadiusOff && math.Abs(da) <= mostClockOff && d < least {
				nearest, least = j, d
			}
		}
		if nearest < 0 {
			return Fit{}, false
		}
		taken[nearest] = true
		f.Pairs[i] = nearest
		w := s.Radius * s.Radius
		off += w * math.Remainder(side.onPaper(found[nearest].at.Angle, turn)-s.Clock, 1)
		weights += w
	}
	off /= weights
	if side == Label {
		off = -off
	}
	f.Turn = fraction(turn - off)
	var sum, off2 float64
	for i, s := range seen {
		m := found[f.Pairs[i]]
		dr, da := m.at.Radius-s.Radius, math.Remainder(side.onPaper(m.at.Angle, f.Turn)-s.Clock, 1)
		off2 += dr * dr
		sum += dr*dr + 4*math.Pi*math.Pi*s.Radius*s.Radius*da*da
		f.Pairs[i] = m.mark
	}
	f.Residual = math.Sqrt(sum / float64(len(seen)))
	f.cost = math.Sqrt((sum + (radiusTells*radiusTells-1)*off2) / float64(len(seen)))
	return f, true
}
