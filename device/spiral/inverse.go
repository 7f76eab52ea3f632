package spiral

import (
	"math"

	"turnstone/device/sector"
)

// Position is where along the track a turn of a layer is reached, in sectors:
// the inverse of At. Turns outside the layer count as its ends; layers outside
// the disc as the nearest.
func (t *Track) Position(layer int, turn float64) float64 {
	l := t.nearest(layer)
	return l.first + l.along(t, turn-l.turn)
}

// Turn is the turn at which the track of a layer has a radius in mm. Radii
// outside the layer count as its ends; layers outside the disc as the nearest.
func (t *Track) Turn(layer int, radius float64) float64 {
	l := t.nearest(layer)
	return l.turn + l.turnsTo(t, radius)
}

// Near is the position along a layer's track that lies at the angle of the point
// x, y (in mm from the spindle) and nearest to it. False is returned for points
// inside or outside of the layer's track, from which it is more than half a pitch
// away.
func (t *Track) Near(layer int, x, y float64) (position float64, ok bool) {
	if layer < 0 || layer >= len(t.legs) {
		return 0, false
	}
	l := &t.legs[layer]
	angle := math.Atan2(y, x) / (2 * math.Pi)
	radius := math.Hypot(x, y)
	s := l.turnsTo(t, radius)
	turn := math.Round(l.turn+s-angle) + angle
	if !(l.turn <= turn && turn <= l.turn+l.turns) {
		return 0, false
	}
	if v := l.state(t, turn-l.turn); !(math.Abs(v.radius-radius) <= 0.501*v.pitch) {
		return 0, false
	}
	return l.first + l.along(t, turn-l.turn), true
}

// Sector is the sector that holds the place at a turn of a layer: exactly the
// last one of the layer for which At(LBA).Turn is not above turn. False where
// the layer does not come that far or begins later.
func (t *Track) Sector(layer int, turn float64) (sector.LBA, bool) {
	if layer < 0 || layer >= len(t.legs) {
		return 0, false
	}
	l := &t.legs[layer]
	if !(l.turn <= turn && turn < l.turn+l.turns) {
		return 0, false
	}
	return sector.LBA(l.first) + sector.LBA(l.holds(t, turn)), true
}

// Region is a piece of a disc's plane between two radii and two angles.
type Region struct {
	Inner, Outer float64 // in mm
	// From and To are angles in turns, To above From; it may pass 1. A full turn
	// or more is the whole ring.
	From, To float64
}

// Band is the sectors of all layers of which a part lies between two radii in
// mm. The end of one layer and the start of the next are one run where both
// touch the band.
func (t *Track) Band(inner, outer float64) sector.Set {
	return t.Touching(Region{inner, outer, 0, 1})
}

// Touching is the sectors of all layers of which a part lies in the region.
// Where the region has no inside it is the empty set.
func (t *Track) Touching(g Region) sector.Set {
	if !(g.Inner < g.Outer && g.From < g.To) {
		return sector.Set{}
	}
	width := min(g.To-g.From, 1)
	start := g.From - math.Floor(g.From)
	if !(width > 0 && start >= 0) { // angles without a number
		return sector.Set{}
	}
	var ranges []sector.Range
	for i := range t.legs {
		l := &t.legs[i]
		low, high := l.turn+l.turnsTo(t, g.Inner), l.turn+l.turnsTo(t, g.Outer)
		if l.dir < 0 {
			low, high = high, low
		}
		if !(low < high) {
			continue
		}
		if width == 1 {
			ranges = append(ranges, l.touching(t, low, high))
			continue
		}
		for turn := math.Floor(low) - 1 + start; turn < high; turn++ {
			if from, to := max(low, turn), min(high, turn+width); from < to {
				ranges = append(ranges, l.touching(t, from, to))
			}
		}
	}
	return sector.Of(ranges...)
}

// nearest is the leg of a layer, or of the nearest that there is.
func (t *Track) nearest(layer int) *leg {
	return &t.legs[min(max(0, layer), len(t.legs)-1)]
}
