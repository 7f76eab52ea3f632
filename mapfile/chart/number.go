package chart

import (
	"math"
	"strconv"
)

// fraction is t less its whole turns: from 0 up to and not including 1.
func fraction(t float64) float64 {
	if f := t - math.Floor(t); f < 1 {
		return f
	}
	return 0 // t is so little below a whole number that the difference rounds to 1
}

// percent is a share in words that never call a part nothing or all: "12 %",
// "0.3 %", "under 0.1 %", "over 99.9 %".
func percent(part, whole int64) string {
	if whole <= 0 || part <= 0 {
		return "0 %"
	}
	if part >= whole {
		return "100 %"
	}
	p := 100 * float64(part) / float64(whole)
	switch {
	case p < 0.1:
		return "under 0.1 %"
	case p > 99.9:
		return "over 99.9 %"
	case p < 9.95 || p > 90.05:
		return strconv.FormatFloat(p, 'f', 1, 64) + " %"
	}
	return strconv.FormatFloat(p, 'f', 0, 64) + " %"
}

// lasted is a time in seconds, for people.
func lasted(s float64) string {
	switch {
	case s < 10:
		return strconv.FormatFloat(s, 'f', 1, 64) + " s"
	case s < 120:
		return strconv.FormatFloat(s, 'f', 0, 64) + " s"
	case s < 7200:
		return strconv.FormatFloat(s/60, 'f', 0, 64) + " min"
	}
	return strconv.FormatFloat(s/3600, 'f', 1, 64) + " h"
}

// decimal is a number with at most n places behind the point.
func decimal(v float64, n int) string {
	p := math.Pow(10, float64(n))
	return strconv.FormatFloat(math.Round(v*p)/p+0, 'f', -1, 64) // + 0 makes −0 0
}
