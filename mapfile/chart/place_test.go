package chart

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

func TestParsePlace(t *testing.T) {
	for in, want := range map[string]Place{
		"34 mm 4 o'clock":       {0, 34, 4.0 / 12, 1.0 / 24},
		"34mm 4":                {0, 34, 4.0 / 12, 1.0 / 24},
		"34.5 mm, 4:30":         {0, 34.5, 4.5 / 12, 1.0 / 24},
		" 24 MM 12 O'Clock":     {0, 24, 0, 1.0 / 24},
		"58 mm 0 h":             {0, 58, 0, 1.0 / 24},
		"40 mm 1.5 h":           {0, 40, 1.5 / 12, 1.0 / 24},
		"40 mm 2:45":            {0, 40, 2.75 / 12, 1.0 / 48},
		"40 mm 2:35":            {0, 40, 31.0 / 144, 1.0 / 144},
		"40 mm 135 deg":         {0, 40, 135.0 / 360, 1.0 / 72},
		"40 mm 133°":            {0, 40, 133.0 / 360, 1.0 / 360},
		"40 mm 133.5 deg":       {0, 40, 133.5 / 360, 0},
		"40 mm 360°":            {0, 40, 0, 1.0 / 72},
		"40 mm 12:30":           {0, 40, 0.5 / 12, 1.0 / 24},
		"40 mm 11:59":           {0, 40, 719.0 / 720, 1.0 / 720},
		"mark 3 9:30":           {3, 0, 9.5 / 12, 1.0 / 24},
		"mark 3 at 9:30":        {3, 0, 9.5 / 12, 1.0 / 24},
		"Mark 12, 127 deg":      {12, 0, 127.0 / 360, 1.0 / 360},
		"mark 3 34 mm 9:30":     {3, 34, 9.5 / 12, 1.0 / 24},
		"mark 3, 34mm, at 9:30": {3, 34, 9.5 / 12, 1.0 / 24},
		"mark 3 at 34 mm 9:30":  {3, 34, 9.5 / 12, 1.0 / 24},
		"mark3 9 o'clock":       {3, 0, 9.0 / 12, 1.0 / 24},
		"34 mm at 4":            {0, 34, 4.0 / 12, 1.0 / 24},
	} {
		got, err := ParsePlace(in)
		if err != nil || math.Abs(got.Radius-want.Radius) > 1e-9 || math.Abs(got.Clock-want.Clock) > 1e-9 || got.Step != want.Step || got.Mark != want.Mark {
			t.Errorf("ParsePlace(%q) = %+v, %v; want %+v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "34", "34 mm", "4 o'clock", "34 cm 4", "3 mm 4", "61 mm 4", "34 mm 13", "34 mm 4:60",
		"34 mm 4.5:30", "34 mm -1", "34 mm four", "NaN mm 4", "34 mm NaN", "34 mm Inf", "34 mm 361 deg", "34 mm NaN deg", "34 mm 4:-5",
		"mark", "mark 3", "mark 9:30", "mark 0 9:30", "mark -1 9:30", "mark 3.5 9:30", "mark mm 9:30", "mark 34 mm 9:30", "mark 70000 9:30",
		"mark 3 34 cm 9:30", "mark 3 61 mm 9:30", "mark 3 0 mm 9:30", "mark three 9:30", "marks 3 9:30", "9:30 mark 3", "34 mm mark 3 9:30"} {
		if got, err := ParsePlace(in); err == nil {
			t.Errorf("ParsePlace(%q) = %v; want an error", in, got)
		}
	}
}

// What String writes ParsePlace reads.
func FuzzParsePlace(f *testing.F) {
	for _, s := range []string{"34 mm 4 o'clock", "34mm,4:30", "40 mm 135 deg", "58mm 12.99h", "mm", "34 mm 1e1", "mark 3 9:30", "mark 12, 34.5 mm at 127 deg"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParsePlace(s)
		if err != nil {
			return
		}
		if onDisc := p.Radius >= holeRadius && p.Radius <= Usual/2; !(onDisc || p.Radius == 0 && p.Mark > 0) || !(p.Clock >= 0 && p.Clock < 1) || p.Mark < 0 {
			t.Fatalf("ParsePlace(%q) = %+v; want a place on a disc", s, p)
		}
		q, err := ParsePlace(p.String())
		if err != nil || q.Mark != p.Mark || math.Abs(q.Radius-p.Radius) > 0.051 || math.Abs(math.Remainder(q.Clock-p.Clock, 1)) > 1.0/1439 {
			t.Fatalf("ParsePlace(%q) = %v, %v; want %v", p.String(), q, err, p)
		}
	})
}

// The label side is the mirror of the reading side, and there and back is the same.
func TestSides(t *testing.T) {
	for _, c := range []struct {
		side              Side
		angle, turn, want float64
	}{
		{Reading, 0.25, 0, 0.25}, {Label, 0.25, 0, 0.75}, {Reading, 0.25, 0.5, 0.75}, {Label, 0.25, 0.5, 0.25}, {Reading, 0.9, 0.2, 0.1},
	} {
		if got := c.side.onPaper(c.angle, c.turn); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v.onPaper(%v, %v) = %v; want %v", c.side, c.angle, c.turn, got, c.want)
		}
		if got := c.side.onDisc(c.want, c.turn); math.Abs(got-c.angle) > 1e-12 {
			t.Errorf("%v.onDisc(%v, %v) = %v; want %v", c.side, c.want, c.turn, got, c.angle)
		}
	}
	if Reading.turning() != "counter-clockwise" || Label.turning() != "clockwise" {
		t.Errorf("turning = %q, %q; want counter-clockwise, clockwise", Reading.turning(), Label.turning())
	}
}

var bothSides = []Side{Reading, Label}

// spots are marks at places, in mm and turns.
func spots(at ...float64) []Mark {
	var all []Mark
	for i := 0; i < len(at); i += 2 {
		all = append(all, Mark{Kind: "scratch", Inner: at[i] - 1, Outer: at[i] + 1, From: at[i+1] - 0.01, To: at[i+1] + 0.01})
	}
	return all
}

// spotted are places told exactly, in mm and turns.
func spotted(at ...float64) []Place {
	var all []Place
	for i := 0; i < len(at); i += 2 {
		all = append(all, Place{Radius: at[i], Clock: at[i+1]})
	}
	return all
}

func TestFitTurn(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	undecided := 0
	for range 120 {
		var at []float64
		for range 8 {
			at = append(at, 25+32*rng.Float64(), rng.Float64())
		}
		marks := spots(at...)
		side, turn := Side(rng.IntN(2)), rng.Float64()
		var seen []Place
		for _, i := range rng.Perm(8)[:3] { // as the eye may see it: to half a millimetre and some degrees
			seen = append(seen, Place{Radius: at[2*i] + rng.Float64() - 0.5, Clock: fraction(side.onPaper(at[2*i+1], turn) + 0.02*rng.Float64() - 0.01), Step: 1. / 50})
		}
		f, err := FitTurn(seen, bothSides, marks)
		var u Undecided
		if errors.As(err, &u) { // then one of both is the truth
			undecided++
			if f, err = u.Best, nil; u.Rival.Side == side && math.Abs(math.Remainder(u.Rival.Turn/360-turn, 1)) < .02 {
				continue
			}
		}
		if err != nil {
			t.Fatalf("FitTurn(%v, %v) = %v; want a fit", seen, marks, err)
		}
		off := math.Remainder(f.Turn/360-turn, 1)
		if (f.Side != side || math.Abs(off) > 0.02) && !f.Doubtful {
			t.Errorf("FitTurn = %v, %.1f°, residual %.2f mm, and no doubt; want %v, %.1f°", f.Side, f.Turn, f.Residual, side, 360*turn)
		}
		// A slow reference: no turn in steps of a tenth of a degree, from any side and
		// with any pairs, costs less than the fit does.
		if least := leastCost(seen, marks); f.cost > least+0.05 {
			t.Errorf("FitTurn costs %.3f; trying all turns costs %.3f", f.cost, least)
		}
	}
	if undecided > 12 {
		t.Errorf("%d of 120 fits are undecided; want 12 at most", undecided)
	}
}

// leastCost tries all turns and all pairs.
func leastCost(seen []Place, marks []Mark) float64 {
	best := math.Inf(1)
	for _, side := range []Side{Reading, Label} {
		for step := range 3600 {
			var try func(i int, used int, sum float64)
			try = func(i, used int, sum float64) {
				if sum >= best {
					return
				}
				if i == len(seen) {
					best = sum
					return
				}
				for j, m := range marks {
					c := m.middle()
					dr, da := c.Radius-seen[i].Radius, math.Remainder(side.onPaper(c.Angle, float64(step)/3600)-seen[i].Clock, 1)
					if used&(1<<j) == 0 && math.Abs(dr) <= mostRadiusOff && math.Abs(da) <= mostClockOff/2 {
						try(i+1, used|1<<j, sum+(&target{at: c, wide: m.To - m.From}).off(seen[i], da))
					}
				}
			}
			try(0, 0, 0)
		}
	}
	return best
}

// Two places straight across from each other fit from both sides, and the fit says
// so; a third one off their line settles it.
func TestFitTurnInDoubt(t *testing.T) {
	marks := spots(30, 0.1, 40, 0.6, 50, 0.25)
	see := func(i int) Place {
		return Place{Radius: marks[i].middle().Radius, Clock: Reading.onPaper(marks[i].middle().Angle, 0.3)}
	}
	_, err := FitTurn([]Place{see(0), see(1)}, bothSides, marks)
	var u Undecided
	if !errors.As(err, &u) || u.Best.Side == u.Rival.Side {
		t.Errorf("FitTurn of two places across = %v; want it undecided between both sides", err)
	} else if s := err.Error(); !strings.Contains(s, "label side, to within 0 mm") || !strings.Contains(s, "reading side, to within 0 mm") {
		t.Errorf("FitTurn of two places across = %q; want both sides with what is left", s)
	}
	f, err := FitTurn([]Place{see(0), see(1), see(2)}, bothSides, marks)
	if err != nil || f.Doubtful || f.Side != Reading || math.Abs(f.Turn-108) > 0.01 || f.Residual > 0.01 {
		t.Errorf("FitTurn of three places = %+v, %v; want the reading side at 108°, no doubt", f, err)
	}
	if want := []int{0, 1, 2}; len(f.Pairs) != 3 || f.Pairs[0] != want[0] || f.Pairs[1] != want[1] || f.Pairs[2] != want[2] {
		t.Errorf("Pairs = %v; want %v", f.Pairs, want)
	}
}

func TestFitTurnErrors(t *testing.T) {
	marks := append(spots(30, 0.1), Mark{Inner: 40, Outer: 41, From: 0, To: 1})
	for _, c := range []struct {
		seen []Place
		want error
	}{
		{nil, ErrFewPlaces}, {spotted(30, 0), ErrFewPlaces},
		{spotted(30, 0, 45, 0.5), ErrNoFit}, {spotted(30, 0, 30, 0.5), ErrNoFit}, {spotted(30, 0, 40.5, 0), ErrNoFit},
	} {
		if f, err := FitTurn(c.seen, bothSides, marks); !errors.Is(err, c.want) {
			t.Errorf("FitTurn(%v) = %+v, %v; want %v", c.seen, f, err, c.want)
		}
	}
}

// A fit makes the picture that the user sees: the mark lies there on paper.
func TestFitMakesTheView(t *testing.T) {
	marks := spots(30, 0.1, 42, 0.37, 50, 0.8)
	seen := spotted(30, 0.2, 42, fraction(0.2-0.27), 50, fraction(0.2-0.7)) // mirrored
	f, err := FitTurn(seen, bothSides, marks)
	if err != nil || f.Side != Label {
		t.Fatalf("FitTurn = %+v, %v; want the label side", f, err)
	}
	v := View{Side: f.Side, Turn: f.Turn}
	for i, p := range seen {
		if got := v.onPaper(marks[i].middle().Angle); math.Abs(math.Remainder(got-p.Clock, 1)) > 1e-6 {
			t.Errorf("mark %d lies at %v of a turn; want %v", i, got, p.Clock)
		}
	}
	if w := marks[0].inWords(v); !strings.Contains(w, "29–31 mm, 2:30") {
		t.Errorf("inWords = %q; want it at 2:30", w)
	}
}

// TestFitSways: where the map's angles may be off in two ways, three places and the turn
// tell by how much they are: places between them lie right then, too. Where another pair
// of marks would do as well, that is said.
func TestFitSways(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	ways := []Sway{
		func(mm float64) float64 { return .15 * (mm - 24) / 10 },
		func(mm float64) float64 { return .1 * (1 - math.Pow((mm-41)/17, 2)) },
	}
	wrong, told, n := 0, 0, 120
	for range n {
		var at []float64
		for i := range 7 {
			at = append(at, 25+4.7*float64(i)+rng.Float64(), rng.Float64())
		}
		marks := spots(at...)
		turn, by := rng.Float64(), [2]float64{rng.NormFloat64(), rng.NormFloat64()}
		paper := func(i int) float64 {
			return fraction(at[2*i+1] + turn + by[0]*ways[0](at[2*i]) + by[1]*ways[1](at[2*i]))
		}
		var seen []Place
		for _, i := range [3]int{0, 3, 6} {
			seen = append(seen, Place{Radius: at[2*i] + .3*rng.NormFloat64(), Clock: fraction(paper(i) + .004*rng.NormFloat64()), Step: 1. / 72})
		}
		f, err := FitTurn(seen, bothSides, marks, ways...)
		if errors.As(err, new(Undecided)) {
			told++
			continue
		}
		if err != nil {
			t.Fatalf("FitTurn = %v; want a fit", err)
		}
		most := 0.0
		for i := range 7 {
			c := marks[i].middle()
			at := f.Side.onPaper(c.Angle+f.Sways[0]*ways[0](c.Radius)+f.Sways[1]*ways[1](c.Radius), f.Turn/360)
			most = max(most, 360*math.Abs(math.Remainder(at-paper(i), 1)))
		}
		if most > 8 && !f.Doubtful {
			wrong++
		}
	}
	t.Logf("of %d fits %d are undecided, and %d wrong without a doubt", n, told, wrong)
	if wrong > n/40 || told > n/2 {
		t.Errorf("of %d fits %d are undecided, and %d wrong without a doubt; want half and one in 40 at most", n, told, wrong)
	}
}

// TestFitLeavesOut: of four places one may be told of what is no mark; the others turn the
// map, and which one was left out is said. Of three none may.
func TestFitLeavesOut(t *testing.T) {
	marks := spots(26, 0.1, 34, 0.37, 43, 0.55, 55, 0.8)
	see := func(radius, angle float64) Place { return Place{Radius: radius, Clock: Reading.onPaper(angle, 0.3)} }
	seen := []Place{see(26, 0.1), see(30, 0.9), see(43, 0.55), see(55, 0.8)}
	f, err := FitTurn(seen, bothSides, marks)
	if err != nil || f.Side != Reading || math.Abs(f.Turn-108) > .5 {
		t.Fatalf("FitTurn = %+v, %v; want the reading side at 108°", f, err)
	}
	if want := []int{0, -1, 2, 3}; !slices.Equal(f.Pairs, want) {
		t.Errorf("Pairs = %v; want %v", f.Pairs, want)
	}
	if _, err := FitTurn(seen[:3], bothSides, marks); !errors.Is(err, ErrNoFit) {
		t.Errorf("FitTurn of three places = %v; want %v", err, ErrNoFit)
	}
}

// TestFitFromOneSide: where the side is said no fit from the other is taken.
func TestFitFromOneSide(t *testing.T) {
	marks := spots(30, 0.1, 40, 0.6, 50, 0.25)
	for _, side := range bothSides { // two places straight across, which fit from both
		seen := spotted(30, Reading.onPaper(0.1, 0.3), 40, Reading.onPaper(0.6, 0.3))
		f, err := FitTurn(seen, []Side{side}, marks)
		if err != nil || f.Side != side {
			t.Errorf("FitTurn from the %v = %+v, %v; want that side", side, f, err)
		}
	}
}

// TestFitInGrownMark: a place told of one of two marks that were found as one, far from the
// middle of both, turns the map less than one told of a mark's middle.
func TestFitInGrownMark(t *testing.T) {
	marks := append(spots(26, 0.1, 43, 0.55, 55, 0.8), Mark{Kind: "arc", Inner: 34.9, Outer: 35.1, From: 0.2, To: 0.7})
	see := func(radius, angle float64) Place { return Place{Radius: radius, Clock: Reading.onPaper(angle, 0.3)} }
	f, err := FitTurn([]Place{see(26, 0.1), see(43, 0.55), see(55, 0.8), see(35, 0.33)}, bothSides, marks)
	if err != nil || math.Abs(f.Turn-108) > 1.5 || f.Pairs[3] != 3 {
		t.Errorf("FitTurn = %+v, %v; want 108° and the place on the arc", f, err)
	}
}

// TestFitByHowPlacesAreTold: what is told by the hour turns the map less than what is told
// in degrees.
func TestFitByHowPlacesAreTold(t *testing.T) {
	marks := spots(26, 0.1, 34, 0.37, 43, 0.55, 55, 0.8)
	seen := spotted(26, 0.4, 34, 0.67, 43, 0.85, 55, 0.1+3./360) // the last one 3° off
	turn := func(step float64) float64 {
		for i := range seen {
			seen[i].Step = 1. / 360
		}
		seen[3].Step = step
		f, err := FitTurn(seen, []Side{Reading}, marks)
		if err != nil {
			t.Fatal(err)
		}
		return f.Turn
	}
	byHour, exactly := turn(1./24), turn(1./360)
	if math.Abs(byHour-108) > .4 || exactly-108 < 2*(byHour-108) {
		t.Errorf("the map is turned by %.2f° with one place told by the hour, %.2f° with it told in degrees; want 108° about, and the first one nearer", byHour, exactly)
	}
}
