package marks

import (
	"cmp"
	"math"
	"slices"
)

// delta is the turns by which angles of the second layer are larger than those of the
// first, by radius.
type delta struct {
	inner, outer       float64 // radii, in mm
	even, slope, bulge float64 // turns
}

// basis is L and Q at a radius.
func (d *delta) basis(r float64) (l, q float64) {
	l = (r-d.inner)/(d.outer-d.inner) - .5
	mid := (d.inner + d.outer) / 2
	chord := func(r float64) float64 {
		return 1/r - (1/d.inner + (1/d.outer-1/d.inner)*(r-d.inner)/(d.outer-d.inner))
	}
	return l, chord(r) / chord(mid)
}

func (d *delta) at(r float64) float64 {
	l, q := d.basis(r)
	return d.even + d.slope*l + d.bulge*q
}

// pair is two marks that may be one, seen in two layers.
type pair struct {
	radius float64
	ring   int
	off    float64 // turns by which the second one's angle is larger
	weight float64
	l, q   float64 // of delta
}

// fitting is what two layers' fits may be off against each other.
type fitting struct {
	delta
	slope, bulge, lean float64 // standard deviations; bulge is that beyond lean times the slope
}

func (d *Disc) fitting(at delta) fitting {
	f := fitting{delta: at}
	var ss, sb, bb float64
	for layer := range d.layers {
		for way := range Ways {
			in, mid, out := d.Sway(layer, way, at.inner), d.Sway(layer, way, (at.inner+at.outer)/2), d.Sway(layer, way, at.outer)
			s, b := out-in, mid-(in+out)/2
			ss, sb, bb = ss+s*s, sb+s*b, bb+b*b
		}
	}
	f.slope = math.Sqrt(ss)
	if ss > 0 {
		f.lean = sb / ss
		f.bulge = math.Sqrt(max(0, bb-sb*sb/ss))
	}
	return f
}

// pairs are the marks of one layer with those of the other at the same radius, those of
// the second shifted by some mm.
func (f *fitting) pairs(first, second []Mark, shift float64) []pair {
	one, other := telling(first), telling(second)
	var all []pair
	sum := map[int]float64{}
	for _, m := range one {
		r, from := m.Middle.Radius, len(all)
		weight := math.Sqrt(float64(max(1, m.Costs)))
		for _, o := range other {
			if math.Abs(o.Middle.Radius+shift-r) > acrossRadius || r < f.inner || r > f.outer {
				continue
			}
			p := pair{radius: r, ring: int(r / acrossRing), off: fraction(o.Middle.Angle - m.Middle.Angle)}
			p.l, p.q = f.basis(r)
			all = append(all, p)
		}
		if from == len(all) {
			continue
		}
		sum[all[from].ring] += weight
		for i := range all[from:] { // parts of one mark say one thing
			alike := 0
			for _, p := range all[from:] {
				if math.Abs(math.Remainder(p.off-all[from+i].off, 1)) <= nearDelta {
					alike++
				}
			}
			all[from+i].weight = weight / float64(alike)
		}
	}
	for i := range all {
		all[i].weight /= sum[all[i].ring]
	}
	return all
}

// telling are the marks that say where they lie.
func telling(all []Mark) []Mark {
	var out []Mark
	for i, m := range all {
		if len(out) < acrossMost && m.To-m.From <= acrossWide && !slices.ContainsFunc(all[:i], m.Fringes) {
			out = append(out, m)
		}
	}
	return out
}

// try is a Δ, and how many rings are for it.
type try struct {
	delta
	rings float64
}

// off is by how much a pair is off, in turns.
func (d *delta) off(p *pair) float64 {
	return math.Remainder(p.off-d.even-d.slope*p.l-d.bulge*p.q, 1)
}

// search is the Δ for which most rings are, and how many are at most for another one. All
// slopes and bulges are looked through in steps, with the even part for which most are at
// each; then the first of them, unlike each other, are fitted to the pairs that are near.
func (f *fitting) search(pairs []pair) (best try, next float64) {
	slopes, bulges := int(acrossReach*f.slope/slopeStep), int(acrossReach*f.bulge/bulgeStep)
	if len(pairs) == 0 || (2*slopes+1)*(2*bulges+1) > mostTries {
		return best, 0
	}
	var tries []try
	bins := make([]float64, acrossBins+2)
	most := 0.0
	for i := -slopes; i <= slopes; i++ {
		for j := -bulges; j <= bulges; j++ {
			d := f.delta
			d.slope = float64(i) * slopeStep
			d.bulge = f.lean*d.slope + float64(j)*bulgeStep
			clear(bins)
			for k := range pairs {
				p := &pairs[k]
				bins[int(fraction(p.off-d.slope*p.l-d.bulge*p.q)*acrossBins)] += p.weight
			}
			bins[acrossBins], bins[acrossBins+1] = bins[0], bins[1]
			at, rings := 0, 0.0
			for c := range acrossBins {
				if n := bins[c] + bins[c+1] + bins[c+2]; n > rings {
					at, rings = c, n
				}
			}
			if rings > promising*most {
				d.even = fraction((float64(at) + 1.5) / acrossBins)
				tries = append(tries, try{d, rings})
				most = max(most, rings)
			}
		}
	}
	slices.SortStableFunc(tries, func(a, b try) int { return cmp.Compare(b.rings, a.rings) })
	var unlike []try
	for _, t := range tries {
		if !slices.ContainsFunc(unlike, func(u try) bool { return u.like(&t, pairs) }) {
			if unlike = append(unlike, t); len(unlike) == mostUnlike {
				break
			}
		}
	}
	for i := range unlike {
		unlike[i].fit(f, pairs)
	}
	slices.SortStableFunc(unlike, func(a, b try) int { return cmp.Compare(b.rings, a.rings) })
	best = unlike[0]
	for _, t := range unlike[1:] {
		if !best.like(&t, pairs) {
			return best, t.rings
		}
	}
	return best, 0
}

// like tells whether another Δ is much the same at the pairs that are near this one.
func (t *try) like(o *try, pairs []pair) bool {
	near, other := 0.0, 0.0
	for i := range pairs {
		p := &pairs[i]
		e := t.off(p)
		if math.Abs(e) > nearDelta {
			continue
		}
		near += p.weight
		if math.Abs(math.Remainder(o.off(p)-e, 1)) > otherDelta {
			other += p.weight
		}
	}
	return other <= otherShare*near
}

// fit fits Δ to the pairs that are near it by least squares, some times, and counts the
// rings that are for it then.
func (t *try) fit(f *fitting, pairs []pair) {
	for _, wide := range [...]float64{2, 2, 1.5, 1.5, 1, 1} {
		var m [3][4]float64 // normal equations
		for i := range pairs {
			p := &pairs[i]
			e := t.off(p)
			if math.Abs(e) > wide*nearDelta {
				continue
			}
			row := [4]float64{1, p.l, p.q, e}
			for i := range m {
				for j, v := range row {
					m[i][j] += p.weight * row[i] * v
				}
			}
		}
		for i, free := range [3]float64{1, max(f.slope, 1e-3), max(f.bulge, 1e-3)} { // no further than they may be off
			m[i][i] += 1e-3 / (free * free)
		}
		x := solved(m)
		t.even, t.slope, t.bulge = t.even+x[0], t.slope+x[1], t.bulge+x[2]
	}
	t.rings = 0
	for i := range pairs {
		if e := t.off(&pairs[i]) / nearDelta; math.Abs(e) < 1 {
			t.rings += pairs[i].weight
		}
	}
}

// solved is the solution of three equations whose matrix is positive definite, so that no
// pivot is looked for.
func solved(m [3][4]float64) (x [3]float64) {
	for i := range m {
		for k := i + 1; k < len(m); k++ {
			by := m[k][i] / m[i][i]
			for j := i; j < len(m[k]); j++ {
				m[k][j] -= by * m[i][j]
			}
		}
	}
	for i := len(m) - 1; i >= 0; i-- {
		x[i] = m[i][3]
		for j := i + 1; j < len(m); j++ {
			x[i] -= m[i][j] * x[j]
		}
		x[i] /= m[i][i]
	}
	return x
}
