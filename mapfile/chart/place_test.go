package chart

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func TestParsePlace(t *testing.T) {
	for in, want := range map[string]Place{
		"34 mm 4 o'clock":   {34, 4.0 / 12},
		"34mm 4":            {34, 4.0 / 12},
		"34.5 mm, 4:30":     {34.5, 4.5 / 12},
		" 24 MM 12 O'Clock": {24, 0},
		"58 mm 0 h":         {58, 0},
		"40 mm 1.5 h":       {40, 1.5 / 12},
		"40 mm 135 deg":     {40, 135.0 / 360},
		"40 mm 360°":        {40, 0},
		"40 mm 12:30":       {40, 0.5 / 12},
		"40 mm 11:59":       {40, 719.0 / 720},
	} {
		got, err := ParsePlace(in)
		if err != nil || math.Abs(got.Radius-want.Radius) > 1e-9 || math.Abs(got.Clock-want.Clock) > 1e-9 {
			t.Errorf("ParsePlace(%q) = %v, %v; want %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "34", "34 mm", "4 o'clock", "34 cm 4", "3 mm 4", "61 mm 4", "34 mm 13", "34 mm 4:60",
		"34 mm 4.5:30", "34 mm -1", "34 mm four", "NaN mm 4", "34 mm NaN", "34 mm Inf", "34 mm 361 deg", "34 mm NaN deg", "34 mm 4:-5"} {
		if got, err := ParsePlace(in); err == nil {
			t.Errorf("ParsePlace(%q) = %v; want an error", in, got)
		}
	}
}

// What String writes ParsePlace reads.
func FuzzParsePlace(f *testing.F) {
	for _, s := range []string{"34 mm 4 o'clock", "34mm,4:30", "40 mm 135 deg", "58mm 12.99h", "mm", "34 mm 1e1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParsePlace(s)
		if err != nil {
			return
		}
		if !(p.Radius >= holeRadius && p.Radius <= Usual/2 && p.Clock >= 0 && p.Clock < 1) {
			t.Fatalf("ParsePlace(%q) = %+v; want a place on a disc", s, p)
		}
		q, err := ParsePlace(p.String())
		if err != nil || math.Abs(q.Radius-p.Radius) > 0.051 || math.Abs(math.Remainder(q.Clock-p.Clock, 1)) > 1.0/1439 {
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

// spots are marks at places, in mm and turns.
func spots(at ...float64) []Mark {
	var all []Mark
	for i := 0; i < len(at); i += 2 {
		all = append(all, Mark{Kind: "scratch", Inner: at[i] - 1, Outer: at[i] + 1, From: at[i+1] - 0.01, To: at[i+1] + 0.01})
	}
	return all
}

func TestFitTurn(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for range 120 {
		var at []float64
		for range 8 {
			at = append(at, 25+32*rng.Float64(), rng.Float64())
		}
		marks := spots(at...)
		side, turn := Side(rng.IntN(2)), rng.Float64()
		var seen []Place
		for _, i := range rng.Perm(8)[:3] { // as the eye may see it: to half a millimetre and some degrees
			seen = append(seen, Place{at[2*i] + rng.Float64() - 0.5, fraction(side.onPaper(at[2*i+1], turn) + 0.02*rng.Float64() - 0.01)})
		}
		f, err := FitTurn(seen, marks, 0)
		if err != nil {
			t.Fatalf("FitTurn(%v, %v) = %v; want a fit", seen, marks, err)
		}
		off := math.Remainder(f.Turn/360-turn, 1)
		if (f.Side != side || math.Abs(off) > 0.02) && !f.Doubtful {
			t.Errorf("FitTurn = %v, %.1f°, residual %.2f mm, and no doubt; want %v, %.1f°", f.Side, f.Turn, f.Residual, side, 360*turn)
		}
		// A slow reference: no turn in steps of a tenth of a degree, from any side and
		// with any pairs, leaves less than the fit does.
		if least := leastResidual(seen, marks); f.Residual > least+0.05 {
			t.Errorf("FitTurn leaves %.3f mm; trying all turns leaves %.3f", f.Residual, least)
		}
	}
}

// leastResidual tries all turns and all pairs.
func leastResidual(seen []Place, marks []Mark) float64 {
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
						along := 2 * math.Pi * seen[i].Radius * da
						try(i+1, used|1<<j, sum+dr*dr+along*along)
					}
				}
			}
			try(0, 0, 0)
		}
	}
	return math.Sqrt(best / float64(len(seen)))
}

// Two places straight across from each other fit from both sides, and the fit says
// so; a third one off their line settles it.
func TestFitTurnInDoubt(t *testing.T) {
	marks := spots(30, 0.1, 40, 0.6, 50, 0.25)
	see := func(i int) Place {
		return Place{marks[i].middle().Radius, Reading.onPaper(marks[i].middle().Angle, 0.3)}
	}
	f, err := FitTurn([]Place{see(0), see(1)}, marks, 0)
	if err != nil || !f.Doubtful {
		t.Errorf("FitTurn of two places across = %+v, %v; want it in doubt", f, err)
	}
	f, err = FitTurn([]Place{see(0), see(1), see(2)}, marks, 0)
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
		{nil, ErrFewPlaces}, {[]Place{{30, 0}}, ErrFewPlaces},
		{[]Place{{30, 0}, {45, 0.5}}, ErrNoFit}, {[]Place{{30, 0}, {30, 0.5}}, ErrNoFit}, {[]Place{{30, 0}, {40.5, 0}}, ErrNoFit},
	} {
		if f, err := FitTurn(c.seen, marks, 0); !errors.Is(err, c.want) {
			t.Errorf("FitTurn(%v) = %+v, %v; want %v", c.seen, f, err, c.want)
		}
	}
}

// A fit makes the picture that the user sees: the mark lies there on paper.
func TestFitMakesTheView(t *testing.T) {
	marks := spots(30, 0.1, 42, 0.37, 50, 0.8)
	seen := []Place{{30, 0.2}, {42, fraction(0.2 - 0.27)}, {50, fraction(0.2 - 0.7)}} // mirrored
	f, err := FitTurn(seen, marks, 0)
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

// TestFitTwist: where angles drift evenly with the radius, three places tell by how much.
func TestFitTwist(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	wrong := 0
	for range 60 {
		var at []float64
		for i := range 6 {
			at = append(at, 25+5.5*float64(i)+rng.Float64(), rng.Float64())
		}
		marks := spots(at...)
		turn, twist := rng.Float64(), (rng.Float64()-.5)*.02 // turns, and turns a mm
		var seen []Place
		for _, i := range rng.Perm(6)[:4] {
			seen = append(seen, Place{at[2*i], fraction(at[2*i+1] + turn + twist*(at[2*i]-40))})
		}
		f, err := FitTurn(seen, marks, .08)
		if err != nil {
			t.Fatalf("FitTurn = %v; want a fit", err)
		}
		for i, m := range f.Pairs {
			c := marks[m].middle()
			paper := f.Side.onPaper(c.Angle+f.Twist/360*(c.Radius-f.Pivot), f.Turn/360)
			if off := 360 * math.Abs(math.Remainder(paper-seen[i].Clock, 1)); off > 6 && !f.Doubtful {
				wrong++
			}
		}
	}
	if wrong > 6 {
		t.Errorf("%d of 240 places are off by more than 6°, and no doubt; want 6 at most", wrong)
	}
}
