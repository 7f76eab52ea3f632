package plan

import (
	"math"

	"turnstone/device/spiral"
)

// nominally is how many of the finest scales tell angles apart by the nominal
// turns: over the hundred turns of the second they are right within a third.
const nominally = 2

// leg is the blocks of one layer, and where they lie as far as is known. A block
// takes the turns that its length takes on its circle, and since the square of
// the radius grows evenly along the track, so does that of its inverse:
//
//	1/(turns of block k)² = a + b·k        turn(k) = 2/b · (√(a + b·k) − √a)
//
// These two numbers are all that matters of inner radius, pitch and density.
type leg struct {
	first, blocks int64
	a, b          float64 // in use
	from, to      float64 // nominal 1/turns of a block where the leg begins, and where it ends
	wide          bool    // the kind's tolerances are too wide to look for the period
	angled        int     // so many of the finest scales tell angles apart (cells.go)
	begins, ends  float64 // nominal radii where it begins and where it ends, in mm
}

// legsOf lays a disc's nominal track out in blocks; none where the kind is not
// one whose geometry is known, or no disc of it holds so many sectors.
func legsOf(d *Disc) []leg {
	end := int64(d.Written.Bounds().End)
	layers := d.Layers
	var sum int64
	for _, n := range layers {
		sum += n
	}
	if sum < end {
		layers = spiral.GuessLayers(d.Kind, end, d.Block)
	}
	var bit spiral.Medium
	switch d.Kind {
	case "dvd":
		bit = spiral.DVD(len(layers))
	case "cd":
		bit = spiral.CD(spiral.CDSlowest)
	case "bd":
		bit = spiral.BD(len(layers))
	default:
		return nil
	}
	track, err := spiral.Nominal(d.Kind, !d.Parallel, layers...)
	if err != nil {
		return nil
	}
	length := bit.SectorBits * bit.Bit.Nominal * float64(d.Block)
	var legs []leg
	for i, n := range layers {
		r := track.Layer(i)
		from, to := track.At(float64(r.First)), track.At(float64(r.End)-1e-6)
		l := leg{first: int64(r.First) / d.Block, blocks: (n + d.Block - 1) / d.Block, begins: from.Radius, ends: to.Radius, angled: nominally}
		if d.Kind == "cd" { // the velocity may be anything from 1.2 to 1.4 m/s
			l.wide, l.angled = true, 0
		}
		if i > 0 {
			l.first = legs[i-1].first + legs[i-1].blocks
		}
		l.from, l.to = 2*math.Pi*from.Radius/length, 2*math.Pi*to.Radius/length
		l.set(0, 0)
		legs = append(legs, l)
	}
	return legs
}

// set makes the leg's period deviate from the nominal one by shares where it
// begins and where it ends.
func (l *leg) set(u, v float64) {
	l.a, l.b = l.line(u, v)
}

func (l *leg) line(u, v float64) (a, b float64) {
	from, to := l.from*(1+u), l.to*(1+v)
	return from * from, (to*to - from*from) / float64(max(1, l.blocks))
}

// fitted tells whether the period is that of the disc, not the nominal one.
func (l *leg) fitted() bool { return l.angled > nominally }

// turnOf is the turn at which the leg's block k begins.
func turnOf(a, b, k float64) float64 {
	if math.Abs(b)*k < 1e-9*a {
		return k / math.Sqrt(a)
	}
	return 2 / b * (math.Sqrt(a+b*k) - math.Sqrt(a))
}

// arc is where the leg's block k begins, from 0 up to 1, and how many turns it
// takes.
func (l *leg) arc(k int64) (phase, width float64) {
	x := float64(k)
	t := turnOf(l.a, l.b, x)
	return t - math.Floor(t), min(1, 1/math.Sqrt(l.a+l.b*x))
}

// radiusOf is the nominal radius at the leg's block k.
func (l *leg) radiusOf(k int64) float64 {
	x := float64(k) / float64(max(1, l.blocks))
	return math.Sqrt(l.begins*l.begins*(1-x) + l.ends*l.ends*x)
}

// radii are the least and the greatest of a disc.
func radii(legs []leg) (inner, outer float64) {
	inner = math.Inf(1)
	for i := range legs {
		inner = min(inner, legs[i].begins, legs[i].ends)
		outer = max(outer, legs[i].begins, legs[i].ends)
	}
	return inner, max(outer, inner+.001)
}
