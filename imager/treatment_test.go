package imager

import (
	"strings"
	"testing"
	"unicode/utf8"

	"turnstone/mapfile"
)

func TestParseTreatment(t *testing.T) {
	type tr = mapfile.Treatment
	for _, c := range []struct {
		in   string
		want tr
	}{
		{"clean", tr{Word: Clean}},
		{"Clean", tr{Word: Clean}},
		{"clean water", tr{Word: Clean, Grade: "water"}},
		{"clean, 2 min", tr{Word: Clean, Seconds: 120}},
		{"sand 2000", tr{Word: Sand, Grade: "2000"}},
		{"SAND P2000", tr{Word: Sand, Grade: "P2000"}},
		{"sand 100", tr{Word: Sand, Grade: "100"}},
		{"sand 20000", tr{Word: Sand, Grade: "20000"}},
		{"sand 2000, 4 min, 24-48 mm", tr{Word: Sand, Grade: "2000", Seconds: 240, FromMM: 24, ToMM: 48}},
		{"sand 2000, 24-48 mm, 4 min", tr{Word: Sand, Grade: "2000", Seconds: 240, FromMM: 24, ToMM: 48}},
		{"  sand\t 2000 ,4min,  24 - 48mm ", tr{Word: Sand, Grade: "2000", Seconds: 240, FromMM: 24, ToMM: 48}},
		{"sand 3000, 7.5-60 mm", tr{Word: Sand, Grade: "3000", FromMM: 7.5, ToMM: 60}},
		{"polish fine, 90 s", tr{Word: Polish, Grade: "fine", Seconds: 90}},
		{"polish coarse compound, 1h30m", tr{Word: Polish, Grade: "coarse compound", Seconds: 5400}},
		{"polish fine 3", tr{Word: Polish, Grade: "fine 3"}}, // a maker's number
		{"polish fine, 24 h", tr{Word: Polish, Grade: "fine", Seconds: 86400}},
		{"other wax in the scratch", tr{Word: Other, Grade: "wax in the scratch"}},
		{"other wax, then 4 min of warmth", tr{Word: Other, Grade: "wax, then 4 min of warmth"}},
		{"other: Wachs, ä", tr{}}, // the colon belongs to the word
	} {
		got, err := ParseTreatment(c.in)
		if c.want.Word == "" {
			if err == nil {
				t.Errorf("ParseTreatment(%q) = %+v; want an error", c.in, got)
			}
			continue
		}
		c.want.Typed = strings.Join(strings.Fields(c.in), " ")
		if err != nil || got != c.want {
			t.Errorf("ParseTreatment(%q) = %+v, %v; want %+v", c.in, got, err, c.want)
		}
	}
}

// What is wrong is said, and what was meant where that can be told.
func TestParseTreatmentSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"", "say clean, sand, polish or other"},
		{" \t", "say clean, sand, polish or other"},
		{"polish fine 90 s", `put a comma in front of "90 s": polish fine, 90 s`},
		{"polish fine 24-48 mm, 90 s", `put a comma in front of "24-48 mm": polish fine, 24-48 mm, 90 s`},
		{"polish fine 24 - 48 mm", `put a comma in front of "24 - 48 mm": polish fine, 24 - 48 mm`},
		{"sand 400 30 s", `put a comma in front of "30 s": sand 400, 30 s`},
		{"sand 2000 4 min 24-48 mm", `put a comma in front of "4 min 24-48 mm": sand 2000, 4 min 24-48 mm`},
		{"clean 2min", `put a comma in front of "2min": clean, 2min`},
		{"polsh fine", "did you mean polish?"},
		{"snad 2000", "did you mean sand?"},
		{"sanding 2000", "did you mean sand?"},
		{"pol fine", "did you mean polish?"},
		{"cleaned", "did you mean clean?"},
		{"wash", "say clean, sand, polish or other"},
		{"2000", "say clean, sand, polish or other"},
		{"sand", "the grit of the paper, 100 to 20000"},
		{"sand fine", "the grit of the paper"},
		{"sand 99", "the grit of the paper"},
		{"sand 20001", "the grit of the paper"},
		{"sand -2000", "the grit of the paper"},
		{"sand 99999999999999999999", "the grit of the paper"},
		{"polish", "say the compound"},
		{"polish, 90 s", "say the compound"},
		{"other", "say what was done"},
		{"polish fine, hard", `"hard" is neither a time`},
		{"polish fine,", `"" is neither a time`},
		{"polish fine, 90", `"90" is not a time`},
		{"polish fine, 0 s", "is not a time"},
		{"polish fine, 25 h", "is not a time"},
		{"polish fine, 1e9 s", "is not a time"},
		{"polish fine, 90 s, 2 min", "two times"},
		{"polish fine, 24-48 mm, 30-40 mm", "two bands"},
		{"polish fine, 24 mm", "is not a band of radii such as 24-48 mm"},
		{"polish fine, a-b mm", "is not a band of radii"},
		{"polish fine, 48-24 mm", "ends before it begins"},
		{"polish fine, 24-24 mm", "ends before it begins"},
		{"polish fine, 7-24 mm", "outside the disc"},
		{"polish fine, 24-61 mm", "outside the disc"},
		{"polish fine, -24-48 mm", "is not a band of radii"},
		{"polish fine, NaN-48 mm", "outside the disc"},
		{"polish fine, 24-NaN mm", "outside the disc"},
		{"polish fine, 24-Inf mm", "outside the disc"},
		{"other " + strings.Repeat("x", 200), "put the rest into --note"},
		{"other \xff", "letters"},
	} {
		got, err := ParseTreatment(c.in)
		if err == nil || !strings.Contains(err.Error(), c.want) || got != (mapfile.Treatment{}) {
			t.Errorf("ParseTreatment(%q) = %+v, %v; want nothing, and an error with %q", c.in, got, err, c.want)
		}
	}
}

func FuzzParseTreatment(f *testing.F) {
	for _, s := range []string{"clean", "sand 2000, 4 min, 24-48 mm", "polish fine, 90 s", "other wax", "snad", "polish fine, 7.5-60 mm, 1h30m", "sand P3000,"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := ParseTreatment(s)
		if err != nil {
			if got != (mapfile.Treatment{}) {
				t.Errorf("ParseTreatment(%q) = %+v with an error; want nothing", s, got)
			}
			return
		}
		// A record is within its bounds, whatever was typed.
		if got.Seconds < 0 || got.Seconds > treatmentMax.Seconds() || len(got.Typed) > typedMax || !utf8.ValidString(got.Typed) {
			t.Errorf("ParseTreatment(%q) = %+v; want a time and a text within bounds", s, got)
		}
		if (got.FromMM != 0 || got.ToMM != 0) && !(got.FromMM >= hubMM && got.FromMM < got.ToMM && got.ToMM <= rimMM) {
			t.Errorf("ParseTreatment(%q) = band %g to %g; want one on the disc", s, got.FromMM, got.ToMM)
		}
		// What was kept as typed is read as the same again.
		if again, err := ParseTreatment(got.Typed); again != got || err != nil {
			t.Errorf("ParseTreatment(%q) = %+v, %v; want %+v", got.Typed, again, err, got)
		}
	})
}

func TestNearest(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"clean", "clean"}, {"claen", "clean"}, {"c", ""}, {"cl", "clean"}, {"sand", "sand"}, {"hand", "sand"},
		{"polishing", "polish"}, {"othr", "other"}, {"buff", ""}, {"", ""},
	} {
		if got := nearest(c.in, treatmentWords); got != c.want {
			t.Errorf("nearest(%q) = %q; want %q", c.in, got, c.want)
		}
	}
	// The distance is one: symmetric, zero only for the same word, and no shorter
	// by way of a third.
	words := []string{"", "a", "sand", "snad", "clean", "clan", "polish", "other", "ohter"}
	for _, a := range words {
		for _, b := range words {
			d := editDistance(a, b)
			if (d == 0) != (a == b) || d != editDistance(b, a) {
				t.Errorf("editDistance(%q, %q) = %d, back %d; want the same, and 0 only of a word to itself", a, b, d, editDistance(b, a))
			}
			for _, c := range words {
				if through := editDistance(a, c) + editDistance(c, b); through < d {
					t.Errorf("editDistance(%q, %q) = %d; by way of %q it is %d", a, b, d, c, through)
				}
			}
		}
	}
}
