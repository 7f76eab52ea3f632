package marks

import (
	"math"
	"sync"

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
	legs := legsOf(nominal, d.block)
	d.layers, d.tracks = make([]calibrated, len(legs)), make([]*spiral.Track, len(legs))
	var layers sync.WaitGroup
	for i, l := range legs {
		layers.Go(func() {
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
			t, err := c.track(nominal.Shape(), i, d.block)
			if err != nil { // no disc is so: the fit is none
				c, t = calibrated{leg: l, drift: .5}, nominal
			}
			d.layers[i], d.tracks[i] = c, t
		})
	}
	layers.Wait()
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

// Begin is the turns at which a layer begins: 0 unless it was brought to another's (Brought).
func (d *Disc) Begin(layer int) float64 { return d.layers[layer].zero }

// Turn is the turns from where a layer begins, and Begin, to a position of the disc, in
// sectors and parts of one.
func (d *Disc) Turn(layer int, position float64) float64 {
	l := &d.layers[layer]
	return l.turn(position/float64(d.block) - float64(l.first))
}

// Track is a track of the disc whose turns on one layer are those fitted, but for a
// constant: Turn counts from where the layer begins.
func (d *Disc) Track(layer int) *spiral.Track { return d.tracks[layer] }

// PerTurn is how many blocks a turn of a layer holds where it begins and where it ends,
// as fitted: all that angles hang on.
func (d *Disc) PerTurn(layer int) [2]float64 {
	return [2]float64{d.layers[layer].from, d.layers[layer].to}
}

// Remade is the disc with the angles of PerTurn, by layer, that were found before; those
// of layers for which there are none, or none that a disc could have, stay.
func (d *Disc) Remade(nominal *spiral.Track, perTurn [][2]float64) *Disc {
	o := &Disc{kind: d.kind, block: d.block}
	for i, l := range d.layers {
		n, t := l, d.tracks[i]
		if i < len(perTurn) {
			n.from, n.to = perTurn[i][0], perTurn[i][1]
			made, err := n.track(nominal.Shape(), i, d.block)
			if !(math.Abs(n.from/l.from-1) < 2*widest && math.Abs(n.to/l.to-1) < 2*widest) || err != nil {
				n = l
			} else {
				n.known, t = true, made
			}
		}
		o.layers, o.tracks = append(o.layers, n), append(o.tracks, t)
	}
	return o
}

// Ways is in how many independent ways the angles of a layer may be off as a whole.
const Ways = 2

// Sway is by how many turns the angle of a layer at a radius in mm is off in one of the
// ways in which it may be, as a standard deviation, against where the layer begins.
func (d *Disc) Sway(layer, way int, mm float64) float64 {
	l := &d.layers[layer]
	if !l.known || l.begins == l.ends {
		return 0
	}
	other := l.stretched(l.ways[way])
	at := l.near(mm)
	return other.turn(at) - l.turn(at)
}

// Further is by how many turns the angle of a layer at a radius in mm is larger than on
// the same disc with other angles.
func (d *Disc) Further(other *Disc, layer int, mm float64) float64 {
	l := &d.layers[layer]
	at := l.near(mm)
	return l.turn(at) - other.layers[layer].turn(at)
}

// Swayed is PerTurn of a layer whose angles are off by so many standard deviations in each
// of the ways.
func (d *Disc) Swayed(layer int, by []float64) [2]float64 {
	l := d.layers[layer].leg
	for i, x := range by {
		w := d.layers[layer].ways[i]
		l = l.stretched(stretch{x * w.u, x * w.v})
	}
	return [2]float64{l.from, l.to}
}
