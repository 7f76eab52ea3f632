package chart

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Place is a place on the disc's surface as somebody sees it who holds the disc:
// a radius, and where on a clock's face it lies, 12 being up.
type Place struct {
	Mark   int     // that is seen there, by its number on the map, from 1 on; 0: it is not named
	Radius float64 // mm from the middle of the disc; 0: not told, of a mark that is named
	Clock  float64 // turns, clockwise from 12 o'clock, from 0 up to and not including 1
	Step   float64 // turns from one such place to the next as it was told, by half hours or by degrees; 0: exactly
}

// The steps in which people tell an angle, in turns, the coarsest first. An hour is told
// by who would have said half past, too.
var (
	clockSteps  = [...]float64{1. / 24, 1. / 48, 1. / 144, 1. / 720} // 30, 15, 5 and one minute
	degreeSteps = [...]float64{1. / 72, 1. / 360}
)

// stepOf is the coarsest of some steps that an angle is told in.
func stepOf(turns float64, steps []float64) float64 {
	for _, s := range steps {
		if math.Abs(math.Remainder(turns, s)) < 1e-9 {
			return s
		}
	}
	return 0
}

// ParsePlace reads a place as people write it: "34 mm 4 o'clock", "34mm 4:30",
// "34 mm, 135 deg"; the angle in degrees clockwise from 12 o'clock. It may name the mark
// that is seen there by its number on the map, and needs no radius then: "mark 3 9:30",
// "mark 3 at 127 deg", "mark 3, 34 mm 9:30". In general
//
//	[mark NUMBER] [RADIUS mm] ANGLE
//
// with commas or "at" between. An error is returned when it is none of these or lies
// outside the data of any disc.
func ParsePlace(s string) (Place, error) {
	var p Place
	text := strings.ToLower(strings.TrimSpace(s))
	if rest, ok := strings.CutPrefix(text, "mark"); ok {
		n, rest, err := parseNumber(rest)
		if err != nil {
			return Place{}, fmt.Errorf("place %q: %w", s, err)
		}
		p.Mark, text = n, rest
	}
	radius, rest, ok := strings.Cut(text, "mm")
	switch mm, err := strconv.ParseFloat(strings.TrimSpace(radius), 64); {
	case !ok && p.Mark > 0:
		rest = text
	case !ok || err != nil:
		return Place{}, fmt.Errorf("place %q: say the radius in mm and the angle by the clock: 34 mm 4 o'clock; or which mark of the map is seen where: mark 3 9:30", s)
	case !(holeRadius <= mm && mm <= Usual/2):
		return Place{}, fmt.Errorf("place %q: no disc has a place %s mm from its middle; say %g to %g", s, strings.TrimSpace(radius), holeRadius, Usual/2)
	default:
		p.Radius = mm
	}
	var err error
	if p.Clock, p.Step, err = parseClock(bare(rest)); err != nil {
		return Place{}, fmt.Errorf("place %q: %w", s, err)
	}
	return p, nil
}

// parseNumber reads a mark's number from behind the word, and gives what stands behind it.
func parseNumber(s string) (n int, rest string, err error) {
	s = strings.TrimSpace(s)
	end := strings.IndexAny(s, " \t,")
	if end < 0 {
		end = len(s)
	}
	number, err := strconv.ParseUint(s[:end], 10, 16)
	if err != nil || number == 0 {
		return 0, "", fmt.Errorf("%q is not the number of a mark on the map, such as in mark 3 9:30", s[:end])
	}
	return int(number), bare(s[end:]), nil
}

// bare is a text without the blanks, commas and "at" that stand between its parts.
func bare(s string) string {
	s = strings.Trim(s, " \t,")
	if rest, ok := strings.CutPrefix(s, "at "); ok {
		return strings.TrimSpace(rest)
	}
	return s
}

// parseClock reads "4", "4:30", "4.5", each with or without "o'clock" or "h"
// behind it, or "135 deg", and in what steps that is told.
func parseClock(s string) (turns, step float64, err error) {
	for _, unit := range []string{"degrees", "deg", "°"} {
		if d, ok := strings.CutSuffix(s, unit); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(d), 64)
			if err != nil || !(0 <= v && v <= 360) {
				return 0, 0, fmt.Errorf("%q is not an angle from 0 to 360 degrees", s)
			}
			return fraction(v / 360), stepOf(v/360, degreeSteps[:]), nil
		}
	}
	text := s
	for _, unit := range []string{"o'clock", "o’clock", "oclock", "h"} {
		if t, ok := strings.CutSuffix(text, unit); ok {
			text = strings.TrimSpace(t)
			break
		}
	}
	hour, minute, colon := strings.Cut(text, ":")
	h, err := strconv.ParseFloat(hour, 64)
	if colon && err == nil {
		var m uint64
		m, err = strconv.ParseUint(minute, 10, 8)
		if m > 59 || h != math.Trunc(h) {
			err = strconv.ErrRange
		}
		h += float64(m) / 60
	}
	if err != nil || !(0 <= h && h < 13) {
		return 0, 0, fmt.Errorf("%q is not a time on a clock's face, such as 4 o'clock or 4:30", s)
	}
	return fraction(h / 12), stepOf(h/12, clockSteps[:]), nil
}

// String is the place as ParsePlace reads it, to a tenth of a mm and a minute of
// the clock; a degree where it was told in degrees.
func (p Place) String() string {
	var b strings.Builder
	if p.Mark > 0 {
		fmt.Fprintf(&b, "mark %d ", p.Mark)
	}
	if p.Radius > 0 {
		b.WriteString(decimal(p.Radius, 1) + " mm ")
	}
	return b.String() + p.Time()
}

// Time is the place's angle alone, as String has it.
func (p Place) Time() string {
	if slices.Contains(degreeSteps[:], p.Step) {
		return decimal(360*p.Clock, 0) + " deg"
	}
	return clock(p.Clock)
}

// clock is an angle on paper as hours of a clock's face: "4 o'clock", "4:30".
func clock(turns float64) string {
	minutes := int(math.Round(fraction(turns)*720)) % 720
	h, m := minutes/60, minutes%60
	if h == 0 {
		h = 12
	}
	if m == 0 {
		return fmt.Sprintf("%d o'clock", h)
	}
	return fmt.Sprintf("%d:%02d", h, m)
}

// roughly is an angle on paper to the half hour, for pictures.
func roughly(turns float64) string { return clock(math.Round(turns*24) / 24) }
