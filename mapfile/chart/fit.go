package chart

import (
	"errors"
	"fmt"
	"math"
)

// Errors of FitTurn.
var (
	// ErrFewPlaces is returned when fewer than two places are given: one fits any
	// turn that brings any mark there.
	ErrFewPlaces = errors.New("two places at least are needed to turn the map")
	// ErrNoFit is returned when no turn brings a mark near to each of the places.
	ErrNoFit = errors.New("no turn of the map brings marks to all of these places")
)

// Undecided is the error of FitTurn when two quite different fits bring marks to the
// places about as well: the better one, and its best rival.
type Undecided struct{ Best, Rival Fit }

func (u Undecided) Error() string {
	one := func(f Fit) string {
		return fmt.Sprintf("by %s° as seen from the %s, to within %s mm", decimal(f.Turn, 0), f.Side, decimal(f.Residual, 1))
	}
	return "it is undecided how the map is turned: " + one(u.Best) + "; or " + one(u.Rival) + "; one more place decides, off the line of the others and far from them in radius"
}

// Sway is one way in which the angles of a map may be off: the turns by which those at
// a radius in mm are, as a standard deviation. Several of them are independent.
type Sway func(mm float64) float64

// How far places that people see may be off, and what counts as another fit.
const (
	mostRadiusOff = 3.0   // mm; the eye, a ruler and a nominal track
	mostClockOff  = 0.07  // turns: 50 minutes of the clock, 25°
	radiusOff     = 0.7   // mm, as a standard deviation: a ruler tells it
	alongOff      = 2.5   // mm along the circle, as well: 4° at 34 mm
	wideOff       = 0.1   // of a mark's width, as well
	apart         = 0.025 // turns by which two fits differ at least, at any radius
	likely        = 2.0   // a rival is less likely by e to the half of so much: undecided
	possible      = 6.0   // the same: doubtful
	swayReach     = 3.0   // deviations by which angles are looked for
	swayStep      = 0.05  // turns from one to the next
	mostSways     = 40    // steps either way
)

// Fit is how the map is turned so that its marks lie where they are seen.
type Fit struct {
	Side Side    // from which the disc is looked at, by what fits
	Turn float64 // degrees, from 0 up to and not including 360: the Turn of a view from that side
	// Sways are the deviations by which angles are off in each way in which they may be.
	Sways []float64
	// Pairs are the marks that the places were taken for, by place.
	Pairs []int
	// Residual is the root of the mean square of the distances, in mm on the
	// surface, that are left between places and marks.
	Residual float64
	// Doubtful tells that quite another turn, or the other side, fits nearly as
	// well: a third place, off the line of the others, decides.
	Doubtful bool

	cost float64 // twice the logarithm by which it is less likely than one that is off nowhere
}

// FitTurn finds the turn by which the marks lie at the places where they are
// seen, and the side from which the disc is looked at. Marks that go all the way
// round are left out, since they lie at no angle. Where the map's own angles may be off
// in some ways, the places tell by how much they are, too. ErrFewPlaces, ErrNoFit and
// Undecided are returned.
func FitTurn(seen []Place, marks []Mark, ways ...Sway) (Fit, error) {
	if len(seen) < 2 {
		return Fit{}, ErrFewPlaces
	}
	f := fitter{seen: seen, ways: ways, best: Fit{cost: math.Inf(1)}, rival: Fit{cost: math.Inf(1)}}
	most := int64(0)
	for i, m := range marks {
		if !m.whole() {
			n := numbered{mark: i, at: m.middle(), wide: m.To - m.From}
			for _, w := range ways {
				n.ways = append(n.ways, w(n.at.Radius))
			}
			f.found = append(f.found, n)
			most = max(most, m.Costs)
		}
	}
	for i, m := range f.found {
		f.found[i].rare = math.Log(float64(max(1, most)) / float64(max(1, marks[m.mark].Costs)))
	}
	f.pair, f.taken = make([]int, len(seen)), make([]bool, len(f.found))
	f.sway(make([]float64, len(ways)), 0)
	best, rival := f.best, f.rival
	if math.IsInf(best.cost, 1) {
		return Fit{}, ErrNoFit
	}
	best.Doubtful = rival.cost < best.cost+possible
	best.Turn, rival.Turn = 360*best.Turn, 360*rival.Turn
	if rival.cost < best.cost+likely {
		return Fit{}, Undecided{best, rival}
	}
	return best, nil
}

// fitter looks for the best fit, and for the best of those that are quite others.
type fitter struct {
	seen        []Place
	found       []numbered
	ways        []Sway
	best, rival Fit

	pair  []int  // scratch: of each place its mark
	taken []bool // and which marks are taken
}

// numbered is a mark's middle and its number, and how rarely somebody tells of it, as a
// logarithm: people tell of the large ones, the oftener by the root of what they cost.
type numbered struct {
	mark int
	at   Polar
	wide float64 // turns
	rare float64
	ways []float64 // turns by which a deviation in each way moves it
}

// angle is a mark's angle with sways.
func (m *numbered) angle(by []float64) float64 {
	a := m.at.Angle
	for i, w := range m.ways {
		a += by[i] * w
	}
	return a
}

// sway tries sways, the ones before n being set, in steps that move no place by more
// than swayStep against another.
func (f *fitter) sway(by []float64, n int) {
	if n == len(by) {
		f.turn(by)
		return
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range f.seen {
		t := f.ways[n](s.Radius)
		lo, hi = min(lo, t), max(hi, t)
	}
	steps := min(mostSways, int(math.Ceil(swayReach*(hi-lo)/swayStep)))
	for i := -steps; i <= steps; i++ {
		by[n] = swayReach * float64(i) / float64(max(1, steps))
		f.sway(by, n+1)
	}
	by[n] = 0
}

// turn tries each turn that brings a mark to a place, from both sides.
func (f *fitter) turn(by []float64) {
	for _, side := range []Side{Reading, Label} {
		for i, s := range f.seen {
			for j, m := range f.found {
				if math.Abs(s.Radius-m.at.Radius) > mostRadiusOff {
					continue
				}
				turn := side.onDisc(s.Clock, m.angle(by))
				pairs, ok := f.pairs(side, turn, by, i, j)
				if !ok {
					continue
				}
				f.take(f.fit(side, turn, by, pairs))
			}
		}
	}
}

// pairs takes each place for the mark that lies nearest to it at a turn, each mark
// once, and one place for a mark that is given.
func (f *fitter) pairs(side Side, turn float64, by []float64, place, mark int) (pairs []int, ok bool) {
	pairs, taken := f.pair, f.taken
	clear(taken)
	taken[mark] = true
	for i, s := range f.seen {
		if i == place {
			pairs[i] = mark
			continue
		}
		nearest, least := -1, math.Inf(1)
		for j := range f.found {
			m := &f.found[j]
			dr := m.at.Radius - s.Radius
			if math.Abs(dr) > mostRadiusOff {
				continue
			}
			da := math.Remainder(side.onPaper(m.angle(by), turn)-s.Clock, 1)
			if d := m.off(s, da); !taken[j] && math.Abs(da) <= mostClockOff+wideOff*m.wide && d < least {
				nearest, least = j, d
			}
		}
		if nearest < 0 {
			return nil, false
		}
		taken[nearest] = true
		pairs[i] = nearest
	}
	return pairs, true
}

// along is how far a place on a mark may be off along the circle, in turns, as a standard
// deviation: the middle of a wide mark is less sure.
func (m *numbered) along(radius float64) float64 {
	return math.Hypot(alongOff/(2*math.Pi*radius), wideOff*m.wide)
}

// off is how unlikely a place is of a mark, as the logarithm that counts twice: by the
// squares of how far it is off, in deviations.
func (m *numbered) off(s Place, da float64) float64 {
	dr, along := m.at.Radius-s.Radius, m.along(s.Radius)
	return dr*dr/(radiusOff*radiusOff) + da*da/(along*along) + 2*math.Log(along*2*math.Pi*s.Radius/alongOff) + m.rare
}

// fit is the likeliest turn and sways for some pairs: what makes least
//
//	Σ over places ((mark's angle + Σ sway·way + turn − place's)/along)² + Σ sway²
//
// found from a turn and sways nearby, by its normal equations.
func (f *fitter) fit(side Side, turn float64, by []float64, pairs []int) Fit {
	n := 1 + len(f.ways)
	a := make([][]float64, n) // with the right side as the last column
	for i := range a {
		a[i] = make([]float64, n+1)
		if i > 0 {
			a[i][i], a[i][n] = 1, -by[i-1]
		}
	}
	row := make([]float64, n+1)
	left := func(i int) float64 { // turns by which a mark is off its place
		d := math.Remainder(side.onPaper(f.found[pairs[i]].angle(by), turn)-f.seen[i].Clock, 1)
		if side == Label {
			d = -d
		}
		return d
	}
	for i, s := range f.seen {
		w := 1 / f.found[pairs[i]].along(s.Radius)
		row[0], row[n] = w, -w*left(i)
		for k, way := range f.found[pairs[i]].ways {
			row[1+k] = w * way
		}
		for p := range a {
			for q := range a[p] {
				a[p][q] += row[p] * row[q]
			}
		}
	}
	more := solved(a)
	turn += more[0]
	by = append([]float64(nil), by...)
	for i := range by {
		by[i] += more[1+i]
	}
	o := Fit{Side: side, Turn: fraction(turn), Sways: by, Pairs: make([]int, len(pairs))}
	sum := 0.0
	for i, s := range f.seen {
		m := f.found[pairs[i]]
		dr, da := m.at.Radius-s.Radius, left(i)
		o.cost += m.off(s, da)
		sum += dr*dr + 4*math.Pi*math.Pi*s.Radius*s.Radius*da*da
		o.Pairs[i] = m.mark
	}
	for _, x := range by {
		o.cost += x * x
	}
	o.Residual = math.Sqrt(sum / float64(len(pairs)))
	return o
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

// take keeps a fit if it is the best, or the best of those that are quite others.
func (f *fitter) take(o Fit) {
	switch {
	case o.cost < f.best.cost:
		if !f.like(o, f.best) {
			f.rival = f.best
		}
		f.best = o
		if f.like(o, f.rival) {
			f.rival = Fit{cost: math.Inf(1)}
		}
	case o.cost < f.rival.cost && !f.like(o, f.best):
		f.rival = o
	}
}

// like tells whether two fits are the same but for little, at the radii of all marks.
func (f *fitter) like(a, b Fit) bool {
	if a.Side != b.Side || math.IsInf(a.cost, 1) || math.IsInf(b.cost, 1) {
		return false
	}
	for _, m := range f.found {
		if math.Abs(math.Remainder(m.angle(a.Sways)+a.Turn-m.angle(b.Sways)-b.Turn, 1)) > apart {
			return false
		}
	}
	return true
}
