package chart

import (
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

var update = flag.Bool("update", false, "write the golden files anew")

// No line is longer than the terminal, none has what a terminal would act on, and
// plain ASCII is plain, whatever the case.
func TestTextFits(t *testing.T) {
	for name, p := range cases(t) {
		for _, width := range []int{0, 20, 21, 43, 44, 80, 133, 300, 1000} {
			for _, ascii := range []bool{false, true} {
				text := string(svgOf(t, func(w io.Writer) error { return p.Text(w, Style{Width: width, ASCII: ascii}) }))
				if n, most := longest(text), min(max(width, LeastWidth), MostWidth); n > most {
					t.Errorf("%s: a line of %d columns on a terminal of %d", name, n, width)
				}
				for _, r := range text {
					if r < 32 && r != '\n' || ascii && r > 126 || r == utf8.RuneError {
						t.Fatalf("%s: text of %d columns, ASCII %v, has %q in it", name, width, ascii, r)
					}
				}
			}
		}
	}
}

// With colour the text is the same but for the control codes, which are all closed.
func TestColourIsBesideTheText(t *testing.T) {
	for name, p := range cases(t) {
		plain := string(svgOf(t, func(w io.Writer) error { return p.Text(w, Style{Width: 80}) }))
		colour := string(svgOf(t, func(w io.Writer) error { return p.Text(w, Style{Width: 80, Colour: true}) }))
		var b strings.Builder
		open := false
		for rest := colour; rest != ""; {
			before, code, ok := strings.Cut(rest, "\x1b[")
			b.WriteString(before)
			if !ok {
				break
			}
			set, after, ok := strings.Cut(code, "m")
			if !ok || (set == "0") != open {
				t.Fatalf("%s: control code %q, open %v", name, set, open)
			}
			open, rest = set != "0", after
		}
		if b.String() != plain || open {
			t.Errorf("%s: the coloured text is another one", name)
		}
	}
}

// What comes from outside can't act on a terminal or break a document.
func TestHostileNames(t *testing.T) {
	m := mapfile.New("x")
	const evil = "a\x1b[2J\nb\x00\xff<b>&\u202e\u009bc"
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: 64, BlockSectors: 16, Written: sector.Of(sector.Span(0, 64))}); err != nil {
		t.Fatal(err)
	}
	m.AddRound(mapfile.Round{})
	m.AddRound(mapfile.Round{Treatments: []mapfile.Treatment{{Typed: evil}}})
	m.AddDrive(mapfile.Drive{Model: evil})
	record(t, m, pass(t, m, mapfile.Pass{Round: 1}), sector.Span(0, 30), mapfile.Failed)
	p := picture(t, m, Disc{}, View{Title: evil, Round: Latest, Layer: AllLayers, Notes: []string{evil}, Marks: []Mark{{Kind: evil, Note: evil}}})
	text := string(svgOf(t, func(w io.Writer) error { return p.Text(w, Style{Width: 80}) }))
	for _, r := range text {
		if r < 32 && r != '\n' || r == 0x202e || r == 0x9b || r == utf8.RuneError {
			t.Fatalf("the text has %q in it: %q", r, text)
		}
	}
	if !strings.Contains(text, "a[2J b<b>&c") {
		t.Errorf("the text has not what can be shown of the name: %q", text)
	}
	for _, s := range p.Sheets() {
		wantXML(t, s.Name, svgOf(t, s.SVG))
	}
	svgOf(t, func(w io.Writer) error { return p.PNG(w, 300) })
}

// Golden files: small cases as people see them.
func TestTextGolden(t *testing.T) {
	m := story(t)
	one := Disc{Diameter: Small, Layers: Layers(calibrated(t, 1000), 0)}
	for name, c := range map[string]struct {
		p     *Picture
		style Style
	}{
		"story-20.txt":    {picture(t, m, Disc{}, View{Title: "story", Round: Latest, Layer: AllLayers}), Style{Width: 20}},
		"story-ascii.txt": {picture(t, m, one, View{Title: "story", Round: 1, Layer: AllLayers, Marks: marksOf()[:2]}), Style{Width: 46, ASCII: true}},
		"new-80.txt":      {picture(t, mapfile.New("new"), Disc{}, View{Title: "new", Round: Latest, Layer: AllLayers}), Style{Width: 80}},
	} {
		got := svgOf(t, func(w io.Writer) error { return c.p.Text(w, c.style) })
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(path, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if string(got) != string(want) {
			t.Errorf("%s is another text now; look at it, then run with -update\n%s", name, got)
		}
	}
}

func TestWrap(t *testing.T) {
	fits := func(n int) func(string) bool { return func(s string) bool { return len([]rune(s)) <= n } }
	for _, c := range []struct {
		text string
		n    int
		want string
	}{
		{"", 5, ""}, {"  ", 5, ""}, {"ab cd ef", 5, "ab cd|ef"}, {"abcdefg", 3, "abc|def|g"}, {"a bcdef g", 3, "a|bcd|ef|g"},
		{"ab", 1, "a|b"}, {"ab", 0, "a|b"}, {"ab\ncd\tef", 20, "ab cd ef"},
	} {
		fit := fits(c.n)
		if c.n == 0 { // nothing fits: a letter a line
			fit = func(s string) bool { return len(s) <= 1 }
		}
		if got := strings.Join(wrap(c.text, fit), "|"); got != c.want {
			t.Errorf("wrap(%q, %d) = %q; want %q", c.text, c.n, got, c.want)
		}
	}
}

func TestPercent(t *testing.T) {
	for _, c := range []struct {
		part, whole int64
		want        string
	}{{0, 10, "0 %"}, {1, 1e7, "under 0.1 %"}, {5, 1000, "0.5 %"}, {1, 3, "33 %"}, {982, 1000, "98.2 %"}, {9999999, 1e7, "over 99.9 %"}, {10, 10, "100 %"}, {1, 0, "0 %"}} {
		if got := percent(c.part, c.whole); got != c.want {
			t.Errorf("percent(%d, %d) = %q; want %q", c.part, c.whole, got, c.want)
		}
	}
}
