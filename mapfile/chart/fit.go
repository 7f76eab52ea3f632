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
	// ErrNoFit is returned when no turn brings marks near to the places, all of them or,
	// where there are many, all but one in four.
	ErrNoFit = errors.New("no turn of the map brings marks to all of these places")
)

// Undecided is the error of FitTurn when two quite different fits bring marks to the
// places about as well: the better one, and its best rival.
type Undecided struct{ Best, Rival Fit }

func (u Undecided) Error() string {
	one := func(f Fit) string {
		return fmt.Sprintf("by %s° as seen from the %s, to within %s mm", decimal(f.Turn, 0), f.Side, decimal(f.Residual, 1))
	}
	more := "one more place decides, off the line of the others and far from them in radius"
	if u.Best.Side != u.Rival.Side {
		more += ", or from which side the disc was looked at"
	}
	return "it is undecided how the map is turned: " + one(u.Best) + "; or " + one(u.Rival) + "; " + more
}

// Sway is one way in which the angles of a map may be off: the turns by which those at
// a radius in mm are, as a standard deviation. Several of them are independent.
type Sway func(mm float64) float64

// How far places that people see may be off, and what counts as another fit. All are
// common practice or chosen by trial on simulated discs.
const (
	mostRadiusOff = 3.0  // mm; the eye, a ruler and a nominal track
	mostClockOff  = 0.07 // turns beyond the ends of a mark: 50 minutes of the clock, 25°
	radiusOff     = 0.7  // mm, as a standard deviation: a ruler tells it
	alongOff      = 1.0  // mm along the circle, as well, beside the steps in which it was told
	wideOff       = 0.05 // of a mark's width, as well
	loose         = 0.15 // of places lie anywhere on their mark: it may be two that have grown into one
	strange       = 12.0 // cost of a place whose mark is not among those found, ...
	strangeOf     = 4    // of which one in so many may be
	same          = 0.01 // turns by which two fits differ at most, at any radius, ...
	apart         = 0.1  // ... and by which quite different ones do, at least
	likely        = 2.0  // a rival is less likely by e to the half of so much: undecided
	possible      = 6.0  // the same: doubtful
	swayReach     = 3.0  // deviations by which angles are looked for
	swayStep      = 0.05 // turns from one to the next
	mostSways     = 40   // steps either way
	refits        = 3    // times that a fit is taken further, by the marks that are nearest then
	fitSteps      = 8    // of each, at most
	stepLeast     = 1e-4 // turns and deviations, of a step that is the last
)

// Fit is how the map is turned so that its marks lie where they are seen.
type Fit struct {
	Side Side    // from which the disc is looked at, by what fits
	Turn float64 // degrees, from 0 up to and not including 360: the Turn of a view from that side
	// Sways are the deviations by which angles are off in each way in which they may be.
	Sways []float64
	// Pairs are the marks that the places were taken for, by place; -1 where none of them
	// lies there.
	Pairs []int
	// Residual is the root of the mean square of the distances, in mm on the surface,
	// that are left between places and marks. A place that is taken to lie somewhere
	// along a wide mark is off in radius only.
	Residual float64
	// Spread is by how many degrees fits that are nearly as good differ from this one at
	// most, at the radius of any mark, where they are not quite others.
	Spread float64
	// Doubtful tells that quite another turn, or the other side, fits nearly as
	// well: a third place, off the line of the others, decides.
	Doubtful bool

	turn float64 // Turn, in turns
	cost float64 // twice the logarithm by which it is less likely than one that is off nowhere
}

// FitTurn finds the turn by which the marks lie at the places where they are
// seen, and from which of some sides the disc is looked at. Marks that go all the way
// round are left out, since they lie at no angle. Where the map's own angles may be off
// in some ways, the places tell by how much they are, too. ErrFewPlaces, ErrNoFit and
// Undecided are returned.
func FitTurn(seen []Place, from []Side, marks []Mark, ways ...Sway) (Fit, error) {
	if len(seen) < 2 {
		return Fit{}, ErrFewPlaces
	}
	f := fitter{seen: seen, from: from, ways: ways, least: math.Inf(1)}
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
	best, rival := f.best()
	if math.IsInf(best.cost, 1) {
		return Fit{}, ErrNoFit
	}
	best.Doubtful = rival.cost < best.cost+possible
	if rival.cost < best.cost+likely {
		return Fit{}, Undecided{best, rival}
	}
	return best, nil
}

// fitter looks for the best fit, and for the best of those that are quite others.
type fitter struct {
	seen  []Place
	from  []Side
	found []numbered
	ways  []Sway
	kept  []Fit   // those nearly as likely as the likeliest, ...
	least float64 // ... which costs so much

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

// turn tries each turn that brings a mark to a place, from all sides.
func (f *fitter) turn(by []float64) {
	for _, side := range f.from {
		for i, s := range f.seen {
			for j, m := range f.found {
				if math.Abs(s.Radius-m.at.Radius) > mostRadiusOff {
					continue
				}
				turn := side.onDisc(s.Clock, m.angle(by))
				if f.pairs(side, turn, by, i, j) {
					f.take(f.further(f.fit(side, turn, by)))
				}
			}
		}
	}
}

// further takes a fit on, by the marks that are the nearest now, while that makes it
// likelier.
func (f *fitter) further(o Fit) Fit {
	for range refits {
		if o.cost > f.least+possible || !f.pairs(o.Side, o.turn, o.Sways, -1, -1) {
			break
		}
		n := f.fit(o.Side, o.turn, o.Sways)
		if n.cost >= o.cost {
			break
		}
		o = n
	}
	return o
}

// pairs takes each place for the likeliest mark at a turn, each mark once, and one place
// for a mark that is given unless that is -1; false is returned where too many places are
// left without.
func (f *fitter) pairs(side Side, turn float64, by []float64, place, mark int) bool {
	strangers := len(f.seen) / strangeOf
	clear(f.taken)
	if place >= 0 {
		f.taken[mark] = true
	}
	for i, s := range f.seen {
		if i == place {
			f.pair[i] = mark
			continue
		}
		nearest, least := -1, math.Inf(1)
		for j := range f.found {
			m := &f.found[j]
			if f.taken[j] || math.Abs(m.at.Radius-s.Radius) > mostRadiusOff {
				continue
			}
			da := math.Remainder(side.onPaper(m.angle(by), turn)-s.Clock, 1)
			if math.Abs(da) > mostClockOff+m.wide/2 {
				continue
			}
			if d := m.off(s, da); d < least {
				nearest, least = j, d
			}
		}
		switch {
		case strangers > 0 && least > strange:
			strangers--
			f.pair[i] = -1
		case nearest < 0:
			return false
		default:
			f.taken[nearest] = true
			f.pair[i] = nearest
		}
	}
	return true
}

// eye is how far a place may be off along the circle, in mm, as a standard deviation:
// the eye's error, and that of a number rounded to some step.
func (p Place) eye() float64 {
	return math.Hypot(alongOff, p.Step/math.Sqrt(12)*2*math.Pi*p.Radius)
}

// along is the same for a place that is told of a mark's middle: that of a wide mark is
// less sure.
func (m *numbered) along(s Place) float64 {
	return math.Hypot(s.eye(), wideOff*m.wide*2*math.Pi*s.Radius)
}

// middle and anywhere are how likely a place is by its distance from a mark along the
// circle, in turns: since its middle was told, or any place on it. A place right at the
// middle of a narrow one has 1.
func (m *numbered) likely(s Place, da float64) (middle, anywhere float64) {
	mm, eye, along := 2*math.Pi*s.Radius, s.eye(), m.along(s)
	whole := eye * math.Sqrt(2*math.Pi)
	z := da * mm / along
	beyond := max(0, math.Abs(da)-m.wide/2) * mm / eye
	return (1 - loose) * eye / along * math.Exp(-z*z/2),
		loose * whole / (whole + m.wide*mm) * math.Exp(-beyond*beyond/2)
}

// off is how unlikely a place is of a mark, as the logarithm that counts twice.
func (m *numbered) off(s Place, da float64) float64 {
	dr := m.at.Radius - s.Radius
	middle, anywhere := m.likely(s, da)
	return dr*dr/(radiusOff*radiusOff) - 2*math.Log(middle+anywhere) + m.rare
}

// fit is the likeliest turn and sways for the pairs, found from a turn and sways nearby:
// what makes least
//
//	Σ over places share · ((mark's angle + Σ sway·way + turn − place's)/along)² + Σ sway²
//
// by its normal equations, the share being that by which the place was told of the
// mark's middle (expectation maximisation).
func (f *fitter) fit(side Side, turn float64, by []float64) Fit {
	o := Fit{Side: side, Sways: append([]float64(nil), by...), Pairs: make([]int, len(f.pair)), turn: turn}
	for range fitSteps {
		if f.step(&o) < stepLeast {
			break
		}
	}
	sum, n := 0.0, 0
	for i, s := range f.seen {
		if f.pair[i] < 0 {
			o.Pairs[i] = -1
			o.cost += strange
			continue
		}
		m := &f.found[f.pair[i]]
		da := f.left(&o, i)
		middle, anywhere := m.likely(s, da)
		dr, along := m.at.Radius-s.Radius, 2*math.Pi*s.Radius*da
		sum += dr*dr + along*along*middle/(middle+anywhere)
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

// left is the turns by which a place's mark is off it.
func (f *fitter) left(o *Fit, i int) float64 {
	d := math.Remainder(o.Side.onPaper(f.found[f.pair[i]].angle(o.Sways), o.turn)-f.seen[i].Clock, 1)
	if o.Side == Label {
		d = -d
	}
	return d
}

// step takes turn and sways of a fit towards where they make the least, and gives by how
// much.
func (f *fitter) step(o *Fit) (most float64) {
	n := 1 + len(f.ways)
	a := make([][]float64, n) // with the right side as the last column
	for i := range a {
		a[i] = make([]float64, n+1)
		a[i][i] = 1e-9 // where no place was told of a middle
		if i > 0 {
			a[i][i], a[i][n] = 1, -o.Sways[i-1]
		}
	}
	row := make([]float64, n+1)
	for i, s := range f.seen {
		if f.pair[i] < 0 {
			continue
		}
		m := &f.found[f.pair[i]]
		da := f.left(o, i)
		middle, anywhere := m.likely(s, da)
		w := math.Sqrt(middle/(middle+anywhere+1e-300)) * 2 * math.Pi * s.Radius / m.along(s)
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
	more := solved(a)
	o.turn += more[0]
	for i := range o.Sways {
		o.Sways[i] += more[1+i]
	}
	for _, x := range more {
		most = max(most, math.Abs(x))
	}
	return most
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

// take keeps a fit that is nearly as likely as the best; of those that are the same the
// likeliest.
func (f *fitter) take(o Fit) {
	if o.cost > f.least+possible {
		return
	}
	f.least = min(f.least, o.cost)
	for i := range f.kept {
		if f.off(&o, &f.kept[i]) < same {
			if o.cost < f.kept[i].cost {
				f.kept[i] = o
			}
			return
		}
	}
	f.kept = append(f.kept, o)
}

// best is the likeliest of the fits kept and the likeliest of those that are quite others,
// of cost ∞ where there is none.
func (f *fitter) best() (best, rival Fit) {
	best.cost, rival.cost = math.Inf(1), math.Inf(1)
	for _, o := range f.kept {
		if o.cost < best.cost {
			best = o
		}
	}
	for _, o := range f.kept {
		switch off := f.off(&o, &best); {
		case o.cost > best.cost+possible:
		case off <= apart:
			best.Spread = max(best.Spread, 360*off)
		case o.cost < rival.cost:
			rival = o
		}
	}
	return best, rival
}

// off is the turns by which two fits differ at most at the radius of any mark; 1 where they
// are of different sides.
func (f *fitter) off(a, b *Fit) float64 {
	if a.Side != b.Side {
		return 1
	}
	most := 0.0
	for i := range f.found {
		m := &f.found[i]
		most = max(most, math.Abs(math.Remainder(m.angle(a.Sways)+a.turn-m.angle(b.Sways)-b.turn, 1)))
	}
	return most
}
