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
	blamed := make([]float32, n)
	each := func(do func(k, row, from, to int)) {
		for k := range l.blocks {
			if b := l.first + k; b >= len(s.state) || s.state[b] == unseen {
				continue
			}
			at := float64(k)
			row := min(max(0, int((l.radius(at+.5)-f.Inner)/f.Step)), f.Bands-1)
			if f.Angles == 1 {
				do(k, row, 0, 1)
				continue
			}
			from, to := l.turn(at)*damageAngles, l.turn(at+1)*damageAngles
			first := int(math.Floor(from + .5))
			do(k, row, first, min(max(first+1, int(math.Floor(to+.5))), first+damageAngles))
		}
	}
	var bad [][3]int
	each(func(k, row, from, to int) {
		for a := from; a < to; a++ {
			f.Seen[row*f.Angles+a%f.Angles]++
		}
		if s.state[l.first+k] == failed {
			bad = append(bad, [3]int{row, from, to})
		}
	})
	for i := range f.Stops {
		f.Stops[i] = suspicion
	}
	for range damageRounds {
		clear(blamed)
		for _, x := range bad {
			row, sum := f.Stops[x[0]*f.Angles:(x[0]+1)*f.Angles], float32(0)
			for a := x[1]; a < x[2]; a++ {
				sum += row[a%f.Angles]
			}
			if sum <= 0 {
				continue
			}
			to := blamed[x[0]*f.Angles:]
			for a := x[1]; a < x[2]; a++ {
				to[a%f.Angles] += row[a%f.Angles] / sum
			}
		}
		for i, n := range f.Seen {
			if n > 0 {
				f.Stops[i] = blamed[i] / n
			}
		}
	}
	for i, n := range f.Seen {
		if n == 0 {
			f.Stops[i] = 0
			continue
		}
		r := f.Inner + (float64(i/f.Angles)+.5)*f.Step
		under := max(1, l.length/(2*math.Pi*r)*float64(f.Angles)) // cells under a block
		f.Stops[i] = float32(1 - math.Exp(-float64(f.Stops[i])*under))
	}
	return f
}
