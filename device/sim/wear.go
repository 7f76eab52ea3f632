package sim

import "math"

// wear draws the scratches of one entry of the scenario's wear: as many as it
// says, their middles even over a ring, in any direction, slightly bent. Lengths
// are min + an exponential number, widths and depths have normal logarithms. All
// of that is invented.
func (f *form) wear(s *Scenario, entry int, o *object) {
	count := o.mustWhole("count", 0, mostWear)
	seed := uint64(o.whole("seed", 0, math.MaxInt64, int64(s.Seed)))
	inner, outer := o.region("region_mm")
	part := func(key string) *object {
		v, ok := o.need(key)
		if !ok {
			v.kind = '{'
		}
		return f.object(v, o.under(key))
	}
	length := part("length_mm")
	least := length.mustNumber("min", leastLength, farthest)
	mean := length.mustNumber("mean", leastLength, farthest)
	if mean < least {
		f.fail(length.v, length.under("mean"), "%v is below min (%v)", mean, least)
	}
	width, depth := part("width_mm"), part("depth_um")
	wide, wideBy := width.mustNumber("median", narrowest, widestMark), width.number("sigma", 0, 3, 0)
	deep, deepBy := depth.mustNumber("median", 0, deepestMark), depth.number("sigma", 0, 3, 0)
	for _, part := range []*object{length, width, depth, o} {
		part.done()
	}
	if s.worn += count; s.worn > mostWear {
		f.fail(o.v, o.under("count"), "more than %d scratches in all", mostWear)
	}
	for i := range uint64(count) {
		if f.err != nil {
			return
		}
		u := newStream(forWear, seed, uint64(entry), i)
		m := mark{
			width: min(max(narrowest, wide*exp(wideBy*u.normal(0))), widestMark),
			depth: min(deep*exp(deepBy*u.normal(2)), deepestMark),
		}
		long := min(least-float64((mean-least)*log(u.uniform(4))), farthest)
		r := math.Sqrt(u.between(5, float64(inner*inner), float64(outer*outer)))
		sin, cos := sincos(u.uniform(6))
		m.pieces = bent(r*cos, r*sin, long, u.uniform(7), wearBend*u.normal(8)/(2*math.Pi))
		f.add(s, o, m)
	}
}

// bent is a scratch of some length around a middle, heading for a direction there
// and turning by bend from end to end, both in turns.
func bent(x, y, length, direction, bend float64) []piece {
	const steps = wearPoints - 1
	var points [wearPoints][2]float64
	for i := range steps {
		heading := direction + float64(bend*((float64(i)+0.5)/steps-0.5))
		sin, cos := sincos(heading - math.Floor(heading))
		points[i+1] = [2]float64{
			points[i][0] + float64(length/steps*cos),
			points[i][1] + float64(length/steps*sin),
		}
	}
	dx, dy := x-points[steps/2][0], y-points[steps/2][1]
	pieces := make([]piece, steps)
	for i := range points {
		points[i][0] += dx
		points[i][1] += dy
		if i > 0 {
			pieces[i-1] = straight(points[i-1], points[i])
		}
	}
	return pieces
}
