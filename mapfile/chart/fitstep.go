package chart

import (
	"math"
	"slices"
)

// How a fit is taken towards what makes the least.
const (
	fitSteps  = 8    // at most
	sureSteps = 3    // of them, that take each place that names its mark for its middle
	stepLeast = 1e-4 // turns and deviations, of a step that is the last
)

// fit is the likeliest turn and sways for the pairs, found from a turn and sways nearby:
// what makes least
//
//	Σ over places share · ((mark's angle + Σ sway·way + turn − place's)/along)² + Σ sway²
//
// by its normal equations, the share being that by which the place was told of the
// mark's middle (expectation maximisation). Where sure, that of places that name their
// mark is 1 at first.
func (f *fitter) fit(side Side, turn float64, by []float64, sure bool) Fit {
	o := Fit{Side: side, Sways: append([]float64(nil), by...), Pairs: make([]int, len(f.pair)), turn: turn}
	for n := range fitSteps {
		if f.step(&o, sure && n < sureSteps) < stepLeast {
			break
		}
	}
	sum, n := 0.0, 0
	for i, s := range f.seen {
		m := f.target(i)
		if m == nil {
			o.Pairs[i] = -1
			o.cost += strange
			continue
		}
		da := m.left(&o, s)
		middle, all := m.likely(s, da)
		dr, along := m.at.Radius-s.Radius, 2*math.Pi*s.Radius*da
		sum += dr*dr + along*along*middle/(all+1e-300)
		n++
		o.cost += m.off(s, da)
		o.Pairs[i] = m.mark
	}
	for _, x := range o.Sways {
		o.cost += x * x
	}
	o.turn = fraction(o.turn)
	o.Turn = 360 * o.turn
	o.Residual = math.Sqrt(sum / float64(max(1, n)))
	return o
}

// left is the turns by which a mark is off its place.
func (m *target) left(o *Fit, s Place) float64 {
	d := math.Remainder(o.Side.onPaper(m.angle(o.Sways), o.turn)-s.Clock, 1)
	if o.Side == Label {
		d = -d
	}
	return d
}

// step takes turn and sways of a fit towards where they make the least, and gives by how
// much.
func (f *fitter) step(o *Fit, sure bool) (most float64) {
	more := solved(f.normal(o, sure))
	o.turn += more[0]
	for i := range o.Sways {
		o.Sways[i] += more[1+i]
	}
	for _, x := range more {
		most = max(most, math.Abs(x))
	}
	return most
}

// normal are the equations of a step, the right side being the last column.
func (f *fitter) normal(o *Fit, sure bool) [][]float64 {
	n := 1 + len(f.ways)
	a := make([][]float64, n)
	for i := range a {
		a[i] = make([]float64, n+1)
		a[i][i] = 1e-9 // where no place was told of a middle
		if i > 0 {
			a[i][i], a[i][n] = 1, -o.Sways[i-1]
		}
	}
	row := make([]float64, n+1)
	for i, s := range f.seen {
		m := f.target(i)
		if m == nil {
			continue
		}
		da := m.left(o, s)
		middle, all := m.likely(s, da)
		share := middle / (all + 1e-300)
		if sure && s.Mark > 0 {
			share = 1
		}
		w := math.Sqrt(share) * 2 * math.Pi * s.Radius / m.along(s)
		row[0], row[n] = w, -w*da
		for k, way := range m.ways {
			row[1+k] = w * way
		}
		for p := range a {
			for q := range a[p] {
				a[p][q] += row[p] * row[q]
			}
		}
	}
	return a
}

// loose is by how many degrees a fit leaves angles open at the radius of a mark at most, as
// a standard deviation: √(gᵀ A⁻¹ g), A being the matrix of the normal equations and g what
// turn and ways move that mark by; 180, which is anywhere, at the most.
func (f *fitter) loose(o *Fit) float64 {
	for i := range f.pair {
		if f.pair[i] = -1; f.sure[i] < 0 {
			f.pair[i] = slices.IndexFunc(f.found, func(m target) bool { return m.mark == o.Pairs[i] })
		}
	}
	n := 1 + len(f.ways)
	most := 0.0
	for _, all := range [2][]target{f.named, f.found} {
		for _, m := range all {
			g := append([]float64{1}, m.ways...)
			a := f.normal(o, false)
			for i := range a {
				a[i][n] = g[i]
			}
			square := 0.0
			for i, x := range solved(a) {
				square += g[i] * x
			}
			most = max(most, square)
		}
	}
	return min(180, 360*math.Sqrt(most))
}

// solved are the unknowns of equations, the right side being the last column, which are
// those of a least square and so need no pivot.
func solved(a [][]float64) []float64 {
	n := len(a)
	for i := range n {
		for j := i + 1; j < n; j++ {
			t := a[j][i] / a[i][i]
			for k := i; k <= n; k++ {
				a[j][k] -= t * a[i][k]
			}
		}
	}
	x := make([]float64, n)
	for i := n - 1; i >= 0; i-- {
		x[i] = a[i][n]
		for j := i + 1; j < n; j++ {
			x[i] -= a[i][j] * x[j]
		}
		x[i] /= a[i][i]
	}
	return x
}
