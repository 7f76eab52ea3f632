package chart

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// naming is a place told exactly that names its mark, in mm (0: not told) and turns.
func naming(mark int, radius, clock float64) Place {
	return Place{Mark: mark, Radius: radius, Clock: fraction(clock), Step: 1. / 360}
}

// TestFitOneNamed: one mark that is named turns the map when it is said from which side the
// disc was looked at, and not before.
func TestFitOneNamed(t *testing.T) {
	marks := spots(30, 0.1, 40, 0.6, 50, 0.25)
	for _, side := range bothSides {
		seen := []Place{naming(2, 0, side.onPaper(0.6, 0.3))}
		f, err := FitTurn(seen, []Side{side}, marks)
		if err != nil || f.Side != side || math.Abs(f.Turn-108) > 1e-6 || f.Pairs[0] != 1 || f.Residual > 1e-6 || f.Doubtful {
			t.Errorf("FitTurn from the %v = %+v, %v; want 108° by mark 2", side, f, err)
		}
		if f, err := FitTurn(seen, bothSides, marks); !errors.Is(err, ErrNoSide) {
			t.Errorf("FitTurn of one named from either side = %+v, %v; want %v", f, err, ErrNoSide)
		}
	}
}

// TestFitNamedSide: two marks that are named tell the side where they lie on no line through
// the middle; straight across they don't.
func TestFitNamedSide(t *testing.T) {
	marks := spots(30, 0.1, 40, 0.6, 50, 0.25)
	for _, side := range bothSides {
		see := func(n int) Place { return naming(n, 0, side.onPaper(marks[n-1].middle().Angle, 0.3)) }
		f, err := FitTurn([]Place{see(1), see(3)}, bothSides, marks)
		if err != nil || f.Side != side || math.Abs(f.Turn-108) > .01 {
			t.Errorf("FitTurn of two named from the %v = %+v, %v; want 108°", side, f, err)
		}
		var u Undecided
		if f, err := FitTurn([]Place{see(1), see(2)}, bothSides, marks); !errors.As(err, &u) || u.Best.Side == u.Rival.Side {
			t.Errorf("FitTurn of two named straight across = %+v, %v; want it undecided between the sides", f, err)
		}
	}
}

// TestFitTakesTheNamed: a place that names its mark is taken for it where another lies
// nearer, and that other one is left to places that name none.
func TestFitTakesTheNamed(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	ways := []Sway{func(mm float64) float64 { return .15 * (mm - 24) / 10 }, func(mm float64) float64 { return .1 * (1 - math.Pow((mm-41)/17, 2)) }}
	for range 40 {
		// Two marks each at six radii; the first of each is seen, and three are named.
		var at []float64
		for i := range 6 {
			r, a := 25+5.5*float64(i)+rng.Float64(), rng.Float64()
			at = append(at, r, a, r+.2, a+.05+.4*rng.Float64())
		}
		marks := spots(at...)
		side, turn, by := Side(rng.IntN(2)), rng.Float64(), [2]float64{rng.NormFloat64(), rng.NormFloat64()}
		var seen []Place
		for i := range 6 {
			c := marks[2*i].middle()
			p := naming(0, c.Radius, side.onPaper(c.Angle+by[0]*ways[0](c.Radius)+by[1]*ways[1](c.Radius), turn)+.002*rng.NormFloat64())
			if i%2 == 0 {
				p.Mark, p.Radius = 2*i+1, 0
			}
			seen = append(seen, p)
		}
		f, err := FitTurn(seen, []Side{side}, marks, ways...)
		if err != nil {
			t.Fatalf("FitTurn = %v; want a fit", err)
		}
		for i, p := range f.Pairs {
			if p != 2*i && (i%2 == 0 || !f.Doubtful) {
				t.Errorf("place %d is taken for mark %d; want mark %d", i, p+1, 2*i+1)
			}
		}
	}
}

// TestFitPartOfNamed: of a long mark that a place names the radius tells which part is meant;
// of an arc it tells nothing.
func TestFitPartOfNamed(t *testing.T) {
	long := Mark{Kind: "scratch", Inner: 30, Outer: 40, From: .1, To: .3, Line: []Polar{{30, .1}, {35, .18}, {40, .3}}}
	bent := Mark{Kind: "scratch", Inner: 30, Outer: 40, From: .1, To: .5, Line: []Polar{{40, .1}, {30, .3}, {39, .5}}}
	arc := Mark{Kind: "arc", Inner: 34.9, Outer: 35.1, From: .2, To: .4, Line: []Polar{{34.95, .2}, {35, .3}, {35.05, .4}}}
	for _, c := range []struct {
		mark         int
		radius, want float64 // turns
	}{{1, 0, .18}, {1, 31, .116}, {1, 40, .3}, {1, 42, .3}, {2, 0, .3}, {2, 35.5, .3}, {3, 0, .3}} {
		f, err := FitTurn([]Place{naming(c.mark, c.radius, Reading.onPaper(c.want, .25))}, []Side{Reading}, []Mark{long, arc, bent})
		if err != nil || math.Abs(f.Turn-90) > 1e-6 {
			t.Errorf("mark %d told at %g mm turns the map by %.2f°, %v; want 90°", c.mark, c.radius, f.Turn, err)
		}
	}
}

// TestNamedAmongOthers: whatever is told, no mark serves two places, nor does one that is
// named serve a place that does not name it; and no more than one place in four is left out.
func TestNamedAmongOthers(t *testing.T) {
	fits := 0
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 8))
		var marks []Mark
		for range 12 { // near to each other, so that several suit
			marks = append(marks, spots(30+4*r.Float64(), .3*r.Float64())...)
		}
		var seen []Place
		for i := range 8 { // the last two somewhere, of any mark or none
			at := marks[i].middle()
			if i > 5 {
				at = Polar{30 + 4*r.Float64(), .3 * r.Float64()}
			}
			seen = append(seen, Place{Radius: at.Radius + r.NormFloat64(), Clock: fraction(Reading.onPaper(at.Angle, .2) + .02*r.NormFloat64()), Step: 1. / 24})
		}
		seen[0].Mark = 1
		f, err := FitTurn(seen, []Side{Reading}, marks, func(mm float64) float64 { return (mm - 32) * .05 })
		if err != nil {
			continue
		}
		fits++
		strangers := 0
		for i, p := range f.Pairs {
			if p < 0 {
				strangers++
			} else if slices.Contains(f.Pairs[:i], p) {
				t.Errorf("seed %d: places are of marks %v; want none twice", seed, f.Pairs)
			}
		}
		if f.Pairs[0] != 0 || strangers > len(seen)/strangeOf {
			t.Errorf("seed %d: places are of marks %v; want 0 first, and at most two of none", seed, f.Pairs)
		}
	}
	if fits < 30 {
		t.Errorf("%d of 300 were fitted; want 30 at least, or this shows little", fits)
	}
}

// TestNoPart: a radius that a mark comes by twice does not tell which part is meant.
func TestNoPart(t *testing.T) {
	bent := Mark{Inner: 30, Outer: 40, Line: []Polar{{40, .1}, {30, .3}, {39, .5}}}
	if at, ok := bent.part(36); ok {
		t.Errorf("the part at 36 mm of a mark that comes by twice = %v; want none", at)
	}
}

// TestTwoEndsOfNamed: both ends of a long mark may be told, though the angles between them
// are off by more than an eye is.
func TestTwoEndsOfNamed(t *testing.T) {
	long := Mark{Kind: "scratch", Inner: 30, Outer: 40, From: .1, To: .3, Costs: 4000, Line: []Polar{{30, .1}, {40, .3}}}
	sway := func(mm float64) float64 { return (mm - 35) * .015 }
	seen := []Place{naming(1, 30, Reading.onPaper(.1-.075, .25)), naming(1, 40, Reading.onPaper(.3+.075, .25))}
	f, err := FitTurn(seen, []Side{Reading}, []Mark{long}, sway)
	if err != nil || math.Abs(f.Turn-90) > 3 || math.Abs(f.Sways[0]-1) > .1 {
		t.Errorf("both ends of a mark turn the map by %.1f°, bent by %.2f, %v; want 90°, 1", f.Turn, f.Sways, err)
	}
}

// TestMisnamed: what can't be of a mark that is named is said in a sentence that names it.
func TestMisnamed(t *testing.T) {
	marks := append(spots(30, 0.1, 40, 0.6, 50, 0.25, 57, 0.9), Mark{Inner: 45, Outer: 46, From: 0, To: 1})
	see := func(n int) Place { return naming(n, 0, Reading.onPaper(marks[n-1].middle().Angle, 0.3)) }
	off := func(n int, turns float64) Place {
		p := see(n)
		p.Clock = fraction(p.Clock + turns)
		return p
	}
	many := spots()
	for i := range 2 * MostListed {
		many = append(many, spots(25+float64(i), 0.1*float64(i))...)
	}
	for _, c := range []struct {
		seen  []Place
		marks []Mark
		want  string
	}{
		{[]Place{see(1), naming(6, 0, .1)}, marks, "mark 6 is not on the map, which numbers 5"},
		{[]Place{naming(13, 0, .1)}, many, "mark 13 is not on the map, which numbers 12"},
		{[]Place{naming(1, 0, .1)}, nil, "mark 1 is not on the map, on which no mark was found"},
		{[]Place{see(1), naming(5, 0, .1)}, marks, "mark 5 goes all the way round, so it lies at no angle"},
		{[]Place{naming(1, 38, .1), see(2)}, marks, "mark 1 lies at 29–31 mm on the map, not at 38"},
		{[]Place{see(1), see(2), off(1, .3)}, marks, "mark 1 can't lie at 144 deg and at 252 deg at once"},
		{[]Place{see(1), off(3, .4)}, marks, "mark 3 can't lie at 342 deg when mark 1 lies at 144 deg: it would be 126 mm from there"},
		{[]Place{see(1), see(2), off(3, .2), see(4)}, marks, "mark 3 can't lie at 270 deg when the others lie where they were seen: it would be 63 mm from there"},
	} {
		f, err := FitTurn(c.seen, []Side{Reading}, c.marks)
		if !errors.As(err, new(Misnamed)) || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("FitTurn(%v) = %+v, %v; want %q", c.seen, f, err, c.want)
		}
	}
	// The same mark at one place, told twice, is no contradiction.
	if f, err := FitTurn([]Place{see(1), off(1, .004), see(2)}, []Side{Reading}, marks); err != nil || math.Abs(f.Turn-108) > 1 {
		t.Errorf("FitTurn of a mark told twice = %+v, %v; want 108°", f, err)
	}
}

// TestFitAside: a mark aside is no place's, unless it is named.
func TestFitAside(t *testing.T) {
	marks := spots(30, 0.1, 40, 0.6, 50, 0.25)
	marks[1].Aside = true
	see := func(i int) Place {
		return naming(0, marks[i].middle().Radius, Reading.onPaper(marks[i].middle().Angle, 0.3))
	}
	if f, err := FitTurn([]Place{see(0), see(1), see(2)}, []Side{Reading}, marks); !errors.Is(err, ErrNoFit) {
		t.Errorf("FitTurn of a mark aside = %+v, %v; want %v", f, err, ErrNoFit)
	}
	named := see(1)
	named.Mark = 2
	if f, err := FitTurn([]Place{see(0), named, see(2)}, []Side{Reading}, marks); err != nil || math.Abs(f.Turn-108) > .01 {
		t.Errorf("FitTurn of a mark aside that is named = %+v, %v; want 108°", f, err)
	}
}
