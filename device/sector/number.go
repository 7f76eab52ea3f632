package sector

import (
	"math"
	"strconv"
)

// Thousands is a number as people read counts of sectors, with commas: "2,298,496".
func Thousands(n int64) string {
	s := strconv.FormatInt(n, 10)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// About is a number of two figures, as an estimate deserves: 2,300,000 for 2,298,496.
func About(x float64) int64 {
	unit := SecondFigure(x)
	return int64(math.Round(x/float64(unit))) * unit
}

// SecondFigure is what one in the second figure of a number stands for, 1 at least: 100,000
// in 2,298,496.
func SecondFigure(x float64) int64 {
	unit := int64(1)
	for x >= 100 {
		x, unit = x/10, unit*10
	}
	return unit
}
