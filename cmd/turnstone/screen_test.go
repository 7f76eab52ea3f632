package main

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// screen is what a terminal shows of what was written to it: enough of one for a
// program that redraws a line in place. It wraps at its width, and when it becomes
// narrower it breaks its lines anew, as terminals do.
type screen struct {
	width int
	rows  []row
	at    int // the cursor's row
	col   int // and column; equal to the width behind a full row
}

// row is one row of the screen.
type row struct {
	text []rune
	on   bool // it goes on in the next one
}

// The sequences of ECMA-48 that the program may use: cursor up, erase to the end of
// the line, erase to the end of the screen.
var sequence = regexp.MustCompile(`^\x1b\[([0-9]*)([AKJ])`)

// show writes to the screen. The error names what it does not know.
func (s *screen) show(text string) error {
	if len(s.rows) == 0 {
		s.rows = []row{{}}
	}
	for text != "" {
		if m := sequence.FindStringSubmatch(text); m != nil {
			text = text[len(m[0]):]
			s.control(m[2], m[1])
			continue
		}
		r := []rune(text[:min(4, len(text))])[0]
		text = text[len(string(r)):]
		switch {
		case r == '\r':
			s.col = 0
		case r == '\n':
			s.down(false)
		case r < ' ' || r == 0x7f:
			return fmt.Errorf("control code %#x before %.20q", r, text)
		default:
			s.put(r)
		}
	}
	return nil
}

func (s *screen) control(what, count string) {
	here := &s.rows[s.at]
	switch what {
	case "A":
		n, err := strconv.Atoi(count)
		if err != nil {
			n = 1
		}
		s.at = max(0, s.at-n)
	case "K":
		here.text, here.on = here.text[:min(s.col, len(here.text))], false
	case "J":
		here.text, here.on = here.text[:min(s.col, len(here.text))], false
		s.rows = s.rows[:s.at+1]
	}
}

func (s *screen) put(r rune) {
	if s.col == s.width {
		s.down(true)
		s.col = 0
	}
	here := &s.rows[s.at]
	for len(here.text) <= s.col {
		here.text = append(here.text, ' ')
	}
	here.text[s.col] = r
	s.col++
}

func (s *screen) down(on bool) {
	s.rows[s.at].on = on
	s.at++
	if s.at == len(s.rows) {
		s.rows = append(s.rows, row{})
	}
}

// resize breaks the lines anew. The cursor, which stands behind the last line's
// text, stays there.
func (s *screen) resize(width int) {
	var lines [][]rune
	goesOn := false
	for _, r := range s.rows {
		if goesOn {
			lines[len(lines)-1] = append(lines[len(lines)-1], r.text...)
		} else {
			lines = append(lines, r.text)
		}
		goesOn = r.on
	}
	*s = screen{width: width}
	for i, l := range lines {
		if i > 0 {
			s.down(false)
			s.col = 0
		} else {
			s.rows = []row{{}}
		}
		for _, r := range l {
			s.put(r)
		}
	}
}

func (s *screen) String() string {
	var b strings.Builder
	for _, r := range s.rows {
		fmt.Fprintln(&b, string(r.text))
	}
	return b.String()
}

func TestScreen(t *testing.T) {
	for _, c := range []struct{ in, want, err string }{
		{"a\r\nb", "a\nb\n", ""},
		{"long line\rshort\x1b[K\r\n", "short\n\n", ""},
		{"long line\rshort", "shortline\n", ""},
		{"über\r\x1b[K", "\n", ""},
		{"0123456789", "0123456789\n", ""},
		{"0123456789ab", "0123456789\nab\n", ""},
		{"0123456789ab\x1b[1A\r\x1b[Jc", "c\n", ""},
		{"a\nb\x1b[AX", "a X\n b\n", ""},
		{"\x1b[2H", "", "control code 0x1b"},
		{"\a", "", "control code 0x7"},
	} {
		s := screen{width: 10}
		err := s.show(c.in)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("show(%q) = %v; want %q", c.in, err, c.err)
			}
		} else if err != nil || s.String() != c.want {
			t.Errorf("show(%q) = %v, shown %q; want %q", c.in, err, s.String(), c.want)
		}
	}
	s := screen{width: 10}
	s.show("first\r\n0123456")
	s.resize(4)
	if want := "firs\nt\n0123\n456\n"; s.String() != want || s.at != 3 || s.col != 3 {
		t.Errorf("resize(4) shows %q, cursor %d, %d; want %q, 3, 3", s.String(), s.at, s.col, want)
	}
}
