package marks

import "math"

// Region is a part of the surface: a band of radii, and a stretch of angles in it.
type Region struct {
	Inner, Outer float64 // mm
	From, To     float64 // turns; To may pass 1; 0 to 1 is all round
	Share        float64 // of the sectors that failed, that lie there
}

// Cells in which what is missing is counted for the worst region.
const (
	worstStep   = 1.0 // mm
	worstAngles = 24
	mostTurn    = 18  // of the angles, beyond which a region goes all round
	leastShare  = 0.4 // of what failed, below which no place is worse than others
	mostDrift   = .1  // turns by which angles in a region may be off against each other, in the mean
)

// Worst is where the most can be won: of all bands and stretches of angles that whose
// share of what is missing is the most above its share of the surface. Not ok is
// returned where nothing failed or it lies everywhere alike. Where angles are not known,
// or drift too far over its radii, the region goes all round.
func (d *Disc) Worst(layer int, f Found) (r Region, ok bool) {
	l := &d.layers[layer]
	inner, outer := min(l.begins, l.ends), max(l.begins, l.ends)
	n := int(math.Ceil((outer - inner) / worstStep))
	if n == 0 || f.Missing == 0 {
		return r, false
	}
	cost := make([][worstAngles]float64, n)
	edge := func(band int) float64 { return min(outer, inner+float64(band)*worstStep) }
	add := func(in, out, from, to, costs float64) {
		a, b := int((in-inner)/worstStep), int((out-inner)/worstStep)
		first, last := int(math.Floor(from*worstAngles)), int(math.Floor(to*worstAngles-1e-9))
		last = max(first, min(last, first+worstAngles-1))
		a, b = min(max(0, a), n-1), min(max(0, b), n-1)
		low, high := edge(a), edge(b+1)
		for band := a; band <= b; band++ { // as its area is
			share := (edge(band+1)*edge(band+1) - edge(band)*edge(band)) / (high*high - low*low)
			for c := first; c <= last; c++ {
				cost[band][c%worstAngles] += costs * share / float64(last-first+1)
			}
		}
	}
	for _, m := range f.Marks {
		add(m.Inner, m.Outer, m.From, m.To, float64(m.Costs))
	}
	for band, costs := range f.restBy(l, inner, n) {
		r := (edge(band) + edge(band+1)) / 2
		add(r, r, 0, 1, costs)
	}
	// Sums of all cells inside and before.
	sum := make([][2*worstAngles + 1]float64, n+1)
	for b := range n {
		row := 0.0
		for c := range 2 * worstAngles {
			row += cost[b][c%worstAngles]
			sum[b+1][c+1] = sum[b][c+1] + row
		}
	}
	whole := outer*outer - inner*inner
	best := 0.0
	for a := range n {
		for b := a + 1; b <= n; b++ {
			in, out := edge(a), edge(b)
			area := (out*out - in*in) / whole
			round := !l.known || l.drift*(out-in-worstStep)/(outer-inner) > mostDrift
			for width := 1; width <= worstAngles; width++ {
				if width > mostTurn || round {
					width = worstAngles
				}
				for c := range worstAngles {
					share := (sum[b][c+width] - sum[a][c+width] - sum[b][c] + sum[a][c]) / float64(f.Missing)
					if gain := share - area*float64(width)/worstAngles; gain > best+1e-9 {
						best = gain
						r = Region{in, out, float64(c) / worstAngles, float64(c+width) / worstAngles, min(1, share)}
					}
					if width == worstAngles {
						break
					}
				}
			}
		}
	}
	if r.To-r.From >= 1 {
		r.From, r.To = 0, 1
	}
	return r, best > 0 && r.Share >= leastShare
}

// restBy is what no mark explains, in bands of worstStep from an inner radius on.
func (f *Found) restBy(l *calibrated, inner float64, bands int) []float64 {
	all := make([]float64, bands)
	for k, n := range f.rest {
		if n > 0 {
			band := int((l.radius(float64(k)) - inner) / worstStep)
			all[min(max(0, band), bands-1)] += float64(n)
		}
	}
	return all
}
