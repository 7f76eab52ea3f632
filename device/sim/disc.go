package sim

import (
	"fmt"
	"math"

	"turnstone/device/spiral"
)

// Disc is a scenario's disc, ready to be read. It does not change and may be used
// by several goroutines.
type Disc struct {
	scenario *Scenario
	track    *spiral.Track
	surface  *surface
	grounds  []*ground // by round
	beams    []float64 // radius at the surface, by layer
	content  content
}

// New makes a scenario's disc. An error is returned when its image can't be
// opened or does not fit, or when its marks are too many.
func New(s *Scenario) (*Disc, error) {
	d := &Disc{scenario: s}
	var err error
	if d.track, err = spiral.New(s.shape); err != nil {
		return nil, err
	}
	widest := 0.0
	for i := range s.shape.Layers {
		d.beams = append(d.beams, s.medium.Beam(i)/2)
		widest = math.Max(widest, d.beams[i])
	}
	if d.surface, err = newSurface(s, widest); err != nil {
		return nil, err
	}
	for r := range s.Rounds {
		d.grounds = append(d.grounds, groundOf(s, d.surface, r))
	}
	if d.content, err = contentOf(s); err != nil {
		return nil, err
	}
	return d, nil
}

// Scenario is what the disc was made from.
func (d *Disc) Scenario() *Scenario { return d.scenario }

// Close ends the disc's use and closes its image.
func (d *Disc) Close() error { return d.content.Close() }

// AppendChances appends how a block fares in a round, by drive, to dst. Nothing is
// appended where the scenario has no such round or block, nor for a CD.
func (d *Disc) AppendChances(dst []Chance, round int, b int64) []Chance {
	if d.scenario.CD() || d.hasRound(round) != nil || b < 0 || b >= d.scenario.Blocks() {
		return dst
	}
	var t rows
	d.light(d.grounds[round], b, &t)
	for i := range d.scenario.Drives {
		dst = append(dst, t.chance(&d.scenario.Drives[i]))
	}
	return dst
}

// hasRound returns an error unless the scenario has a round.
func (d *Disc) hasRound(round int) error {
	if round < 0 || round >= len(d.grounds) {
		return fmt.Errorf("scenario %s has rounds 0 to %d, not %d", d.scenario.Name, len(d.grounds)-1, round)
	}
	return nil
}
