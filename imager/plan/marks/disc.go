package marks

import (
	"turnstone/device/spiral"
)

// Disc is a disc's track, its angles fitted to where blocks failed.
type Disc struct {
	kind   string
	block  int64
	layers []calibrated
	tracks []*spiral.Track
}

// Calibrate fits the angles of a disc of a kind, whose nominal track is given, to how
// its blocks fared in one or more rounds.
func Calibrate(kind string, nominal *spiral.Track, rounds ...*Sights) *Disc {
	d := &Disc{kind: kind, block: 1}
	if len(rounds) > 0 {
		d.block = rounds[0].block
	}
	for i, l := range legsOf(nominal, d.block) {
		var seen [][]uint8
		for _, s := range rounds {
			if l.first+l.blocks <= len(s.state) {
				seen = append(seen, s.state[l.first:l.first+l.blocks])
			}
		}
		c := calibrated{leg: l, drift: .5}
		if kind != "cd" { // of which the velocity may be anything from 1.2 to 1.4 m/s
			c = calibrate(l, seen)
		}
		t, err := c.track(d.block, nominal.Layer(i).Count())
		if err != nil { // no disc is so: the fit is none
			c = calibrated{leg: l, drift: .5}
			t, _ = c.track(d.block, nominal.Layer(i).Count())
		}
		d.layers, d.tracks = append(d.layers, c), append(d.tracks, t)
	}
	return d
}

// Layers is the number of layers.
func (d *Disc) Layers() int { return len(d.layers) }

// Angles tells whether angles are known on a layer over some millimetres of radius,
// and by how many turns places far apart in radius may be off against each other, as
// a standard deviation: half a turn and more means that nothing is known of that.
func (d *Disc) Angles(layer int) (known bool, drift float64) {
	l := &d.layers[layer]
	return l.known, l.drift
}

// Turn is the turns from where a layer begins to a position of the disc, in sectors
// and parts of one.
func (d *Disc) Turn(layer int, position float64) float64 {
	l := &d.layers[layer]
	return l.turn(position/float64(d.block) - float64(l.first))
}

// Leg is a track of one layer that has the angles as they were fitted, beginning with
// turn 0 at that layer's first sector; nil where no disc could be made so. A layer
// that is read inwards begins with its innermost sector there.
func (d *Disc) Leg(layer int) *spiral.Track { return d.tracks[layer] }
