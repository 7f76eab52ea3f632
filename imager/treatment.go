package imager

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"turnstone/mapfile"
)

// Words of the trade that open a treatment.
const (
	Clean  = "clean"  // washed, wiped
	Sand   = "sand"   // wet-sanded; its grade is the grit of the paper
	Polish = "polish" // its grade is the compound
	Other  = "other"  // whatever else, in words
)

var treatmentWords = []string{Clean, Sand, Polish, Other}

// Bounds of a treatment's figures: no disc is larger, no paper coarser or finer,
// nobody rubs longer.
const (
	hubMM, rimMM     = 7.5, 60.0 // ECMA-267: centre hole 15 mm, outer diameter 120 mm [memory]
	gritMin, gritMax = 100, 20000
	treatmentMax     = 24 * time.Hour
	typedMax         = 200 // bytes
)

// ParseTreatment reads a treatment as it is typed: a word of the trade, its
// grade, and what is known of it, with commas between: "clean",
// "sand 2000, 4 min, 24-48 mm", "polish fine, 90 s", "other wax in the scratch".
// The error says what is wrong and what was meant, where that can be told.
func ParseTreatment(typed string) (mapfile.Treatment, error) {
	typed = strings.Join(strings.Fields(typed), " ")
	t := mapfile.Treatment{Typed: typed}
	bad := func(format string, args ...any) (mapfile.Treatment, error) {
		return mapfile.Treatment{}, fmt.Errorf("treatment %q: %s", typed, fmt.Sprintf(format, args...))
	}
	if typed == "" {
		return bad("say clean, sand, polish or other")
	}
	if len(typed) > typedMax || !utf8.ValidString(typed) {
		return bad("more than %d letters; put the rest into --note", typedMax)
	}
	if strings.IndexFunc(typed, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0 {
		return bad("it has a character that can't be shown")
	}
	first, rest, more := strings.Cut(typed, ",")
	word, grade, _ := strings.Cut(strings.TrimSpace(first), " ")
	t.Word, t.Grade = strings.ToLower(word), strings.TrimSpace(grade)
	if before, part := unparted(t.Grade); part != "" && slices.Contains([]string{Clean, Sand, Polish}, t.Word) {
		as := strings.TrimSpace(t.Word+" "+before) + ", " + part
		if more {
			as += "," + rest
		}
		return mapfile.Treatment{}, &CommaError{Typed: typed, Part: part, As: as}
	}
	switch t.Word {
	case Other:
		t.Grade = strings.TrimSpace(strings.TrimPrefix(typed[len(word):], ","))
		if t.Grade == "" {
			return bad("say what was done: other \"wax in the scratch\"")
		}
		return t, nil
	case Clean:
	case Sand:
		grit, err := strconv.Atoi(strings.TrimPrefix(strings.ToUpper(t.Grade), "P"))
		if err != nil || grit < gritMin || grit > gritMax {
			return bad("say the grit of the paper, %d to %d: sand 2000", gritMin, gritMax)
		}
	case Polish:
		if t.Grade == "" {
			return bad("say the compound or how fine it is: polish fine")
		}
	default:
		if near := nearest(t.Word, treatmentWords); near != "" {
			return bad("there is no %q; did you mean %s?", word, near)
		}
		return bad("there is no %q; say clean, sand, polish or other", word)
	}
	for more {
		var part string
		part, rest, more = strings.Cut(rest, ",")
		if err := known(&t, strings.TrimSpace(part)); err != nil {
			return bad("%v", err)
		}
	}
	return t, nil
}

// CommaError is returned for a treatment in which a part stands behind another without a
// comma between them.
type CommaError struct {
	Typed string
	Part  string // that wants a comma in front of it, with all behind it up to the next one
	As    string // the treatment with that comma
}

func (e *CommaError) Error() string {
	return fmt.Sprintf("treatment %q: put a comma in front of %q: %s", e.Typed, e.Part, e.As)
}

// unparted is what of a grade is a time or a band for want of a comma, with all behind it,
// and what stands before that; nothing where none is.
func unparted(grade string) (before, part string) {
	words := strings.Fields(grade)
	for i := range words {
		for n := range 4 { // "90s", "90 s", "24 - 48 mm"
			if i+n >= len(words) {
				break
			}
			some := strings.Join(words[i:i+n+1], " ")
			unit := strings.TrimLeft(some, "0123456789.- ")
			if n > 1 && unit != "mm" {
				continue // a number before it is a grade of its own: "400 30 s"
			}
			if t := (mapfile.Treatment{}); slices.Contains([]string{"s", "min", "h", "mm"}, unit) && known(&t, some) == nil {
				return strings.Join(words[:i], " "), strings.Join(words[i:], " ")
			}
		}
	}
	return grade, ""
}

// known takes one part of what is known of a treatment: a time, or a band.
func known(t *mapfile.Treatment, part string) error {
	if band, ok := strings.CutSuffix(part, "mm"); ok {
		from, to, err := ParseBand(strings.TrimSpace(band))
		if err != nil {
			return err
		}
		if t.ToMM != 0 {
			return fmt.Errorf("two bands; one treatment, one band")
		}
		t.FromMM, t.ToMM = from, to
		return nil
	}
	if part != "" && part[0] >= '0' && part[0] <= '9' {
		d, err := parseTime(part)
		if err != nil {
			return err
		}
		if t.Seconds != 0 {
			return fmt.Errorf("two times; one treatment, one time")
		}
		t.Seconds = d.Seconds()
		return nil
	}
	return fmt.Errorf("%q is neither a time (4 min, 90 s) nor a band (24-48 mm); put it into --note", part)
}

// ParseBand reads a band of radii in millimetres, "24-48". The error says what is
// wrong with it.
func ParseBand(s string) (from, to float64, err error) {
	a, b, ok := strings.Cut(s, "-")
	from, err1 := strconv.ParseFloat(strings.TrimSpace(a), 64)
	to, err2 := strconv.ParseFloat(strings.TrimSpace(b), 64)
	switch {
	case !ok || err1 != nil || err2 != nil:
		return 0, 0, fmt.Errorf("%q is not a band of radii such as 24-48 mm", s)
	case !(from >= hubMM && to <= rimMM):
		return 0, 0, fmt.Errorf("the band %s mm lies outside the disc, which reaches from %g to %g mm", s, hubMM, rimMM)
	case from >= to:
		return 0, 0, fmt.Errorf("the band %s mm ends before it begins", s)
	}
	return from, to, nil
}

// parseTime reads a time as people write it: 90 s, 4 min, 1 h, or 1h30m.
func parseTime(s string) (time.Duration, error) {
	text := strings.ReplaceAll(s, " ", "")
	text = strings.ReplaceAll(text, "min", "m")
	d, err := time.ParseDuration(text)
	if err != nil || d <= 0 || d > treatmentMax {
		return 0, fmt.Errorf("%q is not a time such as 90 s or 4 min", s)
	}
	return d, nil
}

// nearest is the word closest to s, "" where none is close.
func nearest(s string, words []string) string {
	best, bestAt := "", 3
	for _, w := range words {
		d := editDistance(s, w)
		if strings.HasPrefix(s, w) || len(s) > 1 && strings.HasPrefix(w, s) {
			d = min(d, 1)
		}
		if d < bestAt {
			best, bestAt = w, d
		}
	}
	return best
}

// editDistance is how many letters must be put in, taken out or changed to make
// one word of the other.
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}
