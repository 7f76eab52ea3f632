package report

import (
	"slices"
	"strings"
	"testing"
	"unicode"
)

func TestParseLetterhead(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       Letterhead
	}{
		{"empty", "", Letterhead{}},
		{"empty lines", "\n \n\t\n", Letterhead{}},
		{"a name", "Lighthouse", Letterhead{Name: "Lighthouse"}},
		{"from another system", "\ufeffLighthouse\r\n1 Lane\r\n\r\nA note.\r\n", Letterhead{Name: "Lighthouse", Address: []string{"1 Lane"}, Note: []string{"A note."}}},
		{"all of it", "\n  Lighthouse & Sons  \n1 Lane\nNowhere\n\n\nFirst,\nin two lines.\n\nSecond.", Letterhead{
			Name: "Lighthouse & Sons", Address: []string{"1 Lane", "Nowhere"}, Note: []string{"First, in two lines.", "Second."}}},
		{"no address", "Größe 日本\n\nA note.", Letterhead{Name: "Größe 日本", Note: []string{"A note."}}},
	} {
		got, err := ParseLetterhead([]byte(c.text))
		if err != nil || got.Name != c.want.Name || !slices.Equal(got.Address, c.want.Address) || !slices.Equal(got.Note, c.want.Note) {
			t.Errorf("%s: ParseLetterhead() = %+v, %v; want %+v", c.name, got, err, c.want)
		}
	}
	for _, c := range []struct{ name, text, says string }{
		{"no UTF-8", "a\xff", "UTF-8"},
		{"an escape", "Name\n\n\x1b[2J", "line 3"},
		{"turned round", "Name \u202e", "line 1"},
		{"a long line", strings.Repeat("a", 81), "line 1"},
		{"a long address", "Name" + strings.Repeat("\nline", 5), "line 6"},
		{"a long note", "Name\n\n" + strings.Repeat("word ", 200), "line 3"},
		{"too much", strings.Repeat("\n", 9000), "9000 bytes"},
	} {
		if got, err := ParseLetterhead([]byte(c.text)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: ParseLetterhead() = %+v, %v; want an error that says %q", c.name, got, err, c.says)
		}
	}
}

// Whatever the text, what is taken can be shown, keeps the limits, and reads the same
// when it is written again.
func FuzzParseLetterhead(f *testing.F) {
	for _, s := range []string{"", "Name\nline\n\nNote\n\nmore", "\ufeffa\r\n\r\nb", "a\xff", "\x1b", strings.Repeat("x\n", 9)} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		l, err := ParseLetterhead(text)
		if err != nil {
			return
		}
		lines := append(append([]string{l.Name}, l.Address...), l.Note...)
		for _, line := range lines {
			if strings.IndexFunc(line, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0 {
				t.Errorf("%q can't be shown", line)
			}
		}
		if len(l.Address) > addressLines || l.Name == "" && len(lines) > 1 {
			t.Errorf("letterhead %+v; want a name, and %d lines at most", l, addressLines)
		}
		again, err := ParseLetterhead([]byte(l.Name + "\n" + strings.Join(l.Address, "\n") + "\n\n" + strings.Join(l.Note, "\n\n")))
		if err != nil || again.Name != l.Name || !slices.Equal(again.Address, l.Address) || !slices.Equal(again.Note, l.Note) {
			t.Errorf("again = %+v, %v; want %+v", again, err, l)
		}
	})
}
