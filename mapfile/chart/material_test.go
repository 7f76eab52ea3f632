package chart

import (
	"math"
	"strings"
	"testing"

	"turnstone/mapfile"
)

// By hand: π (58² − 24²) mm² · 0.001 mm · 1.20 g/cm³ = 10.51 mg a micrometre.
func TestMicrometresPerGram(t *testing.T) {
	if got := 1000 / MicrometresPerGram(24, 58); math.Abs(got-10.51) > 0.005 {
		t.Errorf("a micrometre of 24 to 58 mm weighs %.3f mg; want 10.51", got)
	}
}

func TestTakenOff(t *testing.T) {
	sand := func(from, to float64) []mapfile.Treatment {
		return []mapfile.Treatment{{Word: "sand", FromMM: from, ToMM: to}}
	}
	clean := []mapfile.Treatment{{Word: "clean"}}
	for name, c := range map[string]struct {
		rounds   []mapfile.Round
		ok       bool
		from, to float64
		weighed  float64 // NaN: not known
		measured float64
	}{
		"nothing":         {nil, false, 0, 0, 0, 0},
		"weighed once":    {[]mapfile.Round{{}, {Grams: 15.6, Treatments: sand(24, 58)}}, false, 0, 0, 0, 0},
		"whole":           {[]mapfile.Round{{}, {Grams: 15.60, Treatments: sand(0, 0)}, {Grams: 15.495}}, true, 24, 58, 9.99, math.NaN()},
		"a band":          {[]mapfile.Round{{}, {Grams: 15.60, Treatments: sand(30, 45)}, {Grams: 15.558}}, true, 30, 45, 9.90, math.NaN()},
		"its own is open": {[]mapfile.Round{{}, {Grams: 15.60, Treatments: sand(30, 45)}, {Grams: 15.558, Treatments: sand(24, 58)}}, true, 30, 45, 9.90, math.NaN()},
		"bands join":      {[]mapfile.Round{{}, {Grams: 15.6, Treatments: sand(30, 40)}, {Treatments: sand(50, 55)}, {Grams: 15.6}}, true, 30, 55, 0, math.NaN()},
		"cleaned only":    {[]mapfile.Round{{}, {Grams: 15.60, Treatments: clean}, {Grams: 15.61}}, true, 24, 58, -0.95, math.NaN()},
		"both":            {[]mapfile.Round{{}, {Grams: 15.6, ThicknessMM: 1.210, Treatments: sand(0, 0)}, {Grams: 15.495, ThicknessMM: 1.199}}, true, 24, 58, 9.99, 11},
	} {
		m, ok := TakenOff(c.rounds)
		if ok != c.ok {
			t.Errorf("%s: TakenOff = %+v, %v; want %v", name, m, ok, c.ok)
			continue
		}
		if !ok {
			continue
		}
		if m.From != c.from || m.To != c.to {
			t.Errorf("%s: the band is %v to %v mm; want %v to %v", name, m.From, m.To, c.from, c.to)
		}
		if m.Weighed == nil || math.Abs(m.Weighed.Value-c.weighed) > 0.02 {
			t.Errorf("%s: weighed = %v; want %v", name, m.Weighed, c.weighed)
		} else if least := 0.01 * MicrometresPerGram(m.From, m.To); m.Weighed.Error < least {
			t.Errorf("%s: error of %v µm; the scale alone makes %v", name, m.Weighed.Error, least)
		}
		if math.IsNaN(c.measured) != (m.Measured == nil) || m.Measured != nil && math.Abs(m.Measured.Value-c.measured) > 1e-6 {
			t.Errorf("%s: measured = %v; want %v", name, m.Measured, c.measured)
		}
	}
}

func TestMaterialSentences(t *testing.T) {
	for _, c := range []struct {
		um   float64
		kind string
		want string
	}{
		{5, "dvd", "about 25 µm more may go"}, {29, "dvd", "may be there now"}, {80, "dvd", "is below that now"}, {-1, "dvd", "about 30 µm more"},
		{5, "cd", ""},
	} {
		m := Material{From: 24, To: 58, Weighed: &Estimate{c.um, 2.4}}
		text := strings.Join(m.Sentences(c.kind), " ")
		if !strings.Contains(text, c.want) || !strings.Contains(text, "± 2.4 µm") {
			t.Errorf("Sentences of %v µm on a %s = %q; want %q in it, and the error", c.um, c.kind, text, c.want)
		}
		if c.kind != "dvd" && strings.Contains(text, "substrate") {
			t.Errorf("Sentences on a %s = %q; want nothing of a DVD's substrate", c.kind, text)
		}
	}
}
