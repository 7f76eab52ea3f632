package plan

import "math"

// under is the cells that an arc of at most a turn lies over:
//
//	cell    ├──first──┤├──1──┤├──1──┤├──last──┤     the share of it that is covered
//	                   └─── whole ──┘
type under struct {
	cell        uint // the first one
	whole       int
	first, last float32
}

func underOf(from, width float64) under {
	c := math.Floor(from)
	first := min(1-(from-c), width)
	width -= first
	whole := int(width)
	return under{uint(c), whole, float32(first), float32(width - float64(whole))}
}

// shares is the cells, and the share of each that is covered.
func (u under) shares(yield func(cell int, share float32) bool) {
	c := u.cell
	if !yield(int(c%bins), u.first) {
		return
	}
	for range u.whole {
		if c++; !yield(int(c%bins), 1) {
			return
		}
	}
	yield(int((c+1)%bins), u.last)
}

// sum adds what they hold up, by their shares, to a sum.
func (u under) sum(sum float32, of *cells) float32 {
	c := u.cell
	sum += u.first * of[c%bins]
	for range u.whole {
		c++
		sum += of[c%bins]
	}
	return sum + u.last*of[(c+1)%bins]
}

// blame puts a failure down to them, in the ratio of their rates.
func (u under) blame(blamed, rate *cells, by float32) {
	c := u.cell
	blamed[c%bins] += u.first * rate[c%bins] * by
	for range u.whole {
		c++
		blamed[c%bins] += rate[c%bins] * by
	}
	c++
	blamed[c%bins] += u.last * rate[c%bins] * by
}
