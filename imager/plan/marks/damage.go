package marks

import "math"

// Damage is how much each place of a layer stands in the way of the blocks that pass
// over it, in cells of radius and angle: cell (b, a) lies between the radii
// Inner + b·Step and one Step more, in mm, and between the angles a/Angles and
// (a+1)/Angles, in turns.
type Damage struct {
	Inner, Step   float64
	Bands, Angles int
	// By band, then angle: the share of blocks that would be stopped where all under
	// them is like this place.
	Stops []float32
	Seen  []float32 // blocks that passed over it and of which it is known how they fared
}

// Cells of the damage, and how it is worked out.
const (
	damageStep   = 0.25 // mm
	damageAngles = 240
	damageRounds = 12
	suspicion    = .3 // of every cell at first: failures a block
)

// Damage is the damage of a layer by how the disc stood. A block that failed blames
// the cells under it in the ratio of their rates of failure, and the rates are taken
// anew by what is blamed (expectation maximisation, as in emission tomography):
//
//	rate(cell) = Σ over failed blocks over it of rate(cell)/Σ rates under the block / blocks over it
//
// Where angles are not known cells go all the way round.
func (d *Disc) Damage(layer int, s *Sights) Damage {
	f := d.unharmed(layer)
	bad := d.over(layer, s, &f)
	for len(bad) > 0 {
		n := 1
		for n < len(bad) && bad[n].row == bad[0].row {
			n++
		}
		f.blame(bad[:n])
		bad = bad[n:]
	}
	f.stop(&d.layers[layer].leg)
	return f
}

// unharmed is a layer's cells, of which nothing is known yet.
func (d *Disc) unharmed(layer int) Damage {
	c := &d.layers[layer]
	l := &c.leg
	inner, outer := min(l.begins, l.ends), max(l.begins, l.ends)
	f := Damage{Inner: math.Floor(inner/damageStep) * damageStep, Step: damageStep, Angles: damageAngles}
	if !c.known {
		f.Angles = 1
	}
	f.Bands = max(1, int(math.Ceil((outer-f.Inner)/f.Step)))
	n := f.Bands * f.Angles
	f.Stops, f.Seen = make([]float32, n), make([]float32, n)
	return f
}

// stop makes, of how often a cell's blocks fail by it, the chance that a block over it does.
func (f *Damage) stop(l *leg) {
	for i, n := range f.Seen {
		if n == 0 {
			f.Stops[i] = 0
			continue
		}
		r := f.Inner + (float64(i/f.Angles)+.5)*f.Step
		under := max(1, l.length/(2*math.Pi*r)*float64(f.Angles)) // cells under a block
		f.Stops[i] = float32(1 - math.Exp(-float64(f.Stops[i])*under))
	}
}

// blame works out the rates of a band's cells by the arcs over which blocks failed. Sums
// over arcs are differences of sums from the first cell on.
func (f *Damage) blame(bad []arc) {
	row := bad[0].row * f.Angles
	rates, seen := f.Stops[row:row+f.Angles], f.Seen[row:row+f.Angles]
	for c := range rates {
		rates[c] = suspicion
	}
	steps := make([]float64, f.Angles+1)
	before := make([]float64, 2*f.Angles+1)
	for range damageRounds {
		for c := range 2 * f.Angles {
			before[c+1] = before[c] + float64(rates[c%f.Angles])
		}
		clear(steps)
		for _, b := range bad {
			if sum := before[b.to] - before[b.from]; sum > 0 {
				between(steps, b, 1/sum)
			}
		}
		sum := 0.0 // over the blocks that failed over a cell: the inverse of the rates under each
		for c, n := range seen {
			if sum += steps[c]; n > 0 {
				rates[c] = float32(float64(rates[c]) * max(0, sum) / float64(n))
			}
		}
	}
}

// arc is the cells of a band from one on and before another, which may pass the end of
// the turn.
type arc struct{ row, from, to int }

// between adds something to the cells of an arc of a band, of which is kept by how much
// each differs from the one before it.
func between(steps []float64, a arc, what float64) {
	n := len(steps) - 1
	steps[a.from] += what
	if a.to > n {
		steps[n] -= what
		steps[0] += what
		steps[a.to-n] -= what
		return
	}
	steps[a.to] -= what
}

// over counts which cells the blocks passed over of which it is known how they fared, and
// gives the arcs of those that failed, band by band.
func (d *Disc) over(layer int, s *Sights, f *Damage) (bad []arc) {
	c := &d.layers[layer]
	l := &c.leg
	n := min(l.first+l.blocks, len(s.state))
	if n <= l.first {
		return nil
	}
	bad = make([]arc, 0, countFailed([][]uint8{s.state[l.first:n]}))
	steps := make([]float64, f.Angles+1)
	row := -1
	count := func() {
		if row < 0 {
			return
		}
		n := 0.0
		for a := range f.Angles {
			n += steps[a]
			f.Seen[row*f.Angles+a] += float32(n)
		}
		clear(steps)
	}
	end := l.turn(0) * float64(f.Angles)
	for k := range n - l.first {
		b := l.first + k
		from := end
		end = l.turn(float64(k+1)) * float64(f.Angles)
		if s.state[b] == unseen {
			continue
		}
		x := arc{min(max(0, int((l.radius(float64(k)+.5)-f.Inner)/f.Step)), f.Bands-1), 0, 1}
		if f.Angles > 1 {
			first := int(math.Floor(from + .5))
			x.to = min(max(first+1, int(math.Floor(end+.5))), first+f.Angles) - first
			x.from = first % f.Angles
			x.to += x.from
		}
		if x.row != row {
			count()
			row = x.row
		}
		between(steps, x, 1)
		if s.state[b] == failed {
			bad = append(bad, x)
		}
	}
	count()
	return bad
}
