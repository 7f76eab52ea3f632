package chart

import (
	"strings"
	"testing"
	"unicode/utf8"
)

// TestStrip: the small strip fits any terminal, shows what is missing where it is, and is
// plain ASCII where it must be.
func TestStrip(t *testing.T) {
	const n = 200_000
	m := simulated(t, n, 1)
	for _, width := range []int{1, 20, 80, 300, 1000} {
		for _, plain := range []bool{false, true} {
			p := picture(t, m, Disc{Layers: Layers(track(t, n), 0)}, View{Round: Latest, Layer: AllLayers})
			var b strings.Builder
			if err := p.Strip(&b, Style{Width: width, ASCII: plain}); err != nil {
				t.Fatal(err)
			}
			lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
			if len(lines) < 2 {
				t.Fatalf("Strip at %d columns = %q; want a strip and its legend", width, b.String())
			}
			for _, l := range lines {
				if n := utf8.RuneCountInString(l); n > max(width, LeastWidth) {
					t.Errorf("Strip at %d columns: %d columns of %q", width, n, l)
				}
				if plain && strings.IndexFunc(l, func(r rune) bool { return r > 126 || r < 32 }) >= 0 {
					t.Errorf("Strip in ASCII has %q", l)
				}
			}
			total := p.total()
			if missing := total.missing(p.classes); missing > 0 && !strings.ContainsAny(lines[0], "▒▓█~%#·.") {
				t.Errorf("Strip at %d columns = %q; %d sectors are missing", width, lines[0], missing)
			}
		}
	}
}
