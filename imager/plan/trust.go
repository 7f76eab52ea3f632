package plan

import "math"

// trust is how far the estimate's chances have proved true: by size, what was
// expected of blocks and what came. Where success is likely failures are
// counted, else successes: what is rare is what matters.
type trust [len(trustEdges) + 1]struct{ expected, found, tried, came float64 }

// trustEdges are the chances between which sizes lie: those of round losses.
var trustEdges = func() (edges [12]float64) {
	for i, loss := range [...]float64{.003, .01, .03, .07, .15, .3, .7, 1.2, 1.8, 2.5, 3.5, 5} {
		edges[i] = math.Exp(-loss)
	}
	return edges
}()

const (
	evenChance  = .4965853037914095 // about one half comes: a loss of .7
	trustWeight = 4                 // of the guess that the estimate is right, in blocks found
	likeliest   = .8                // of a block that the estimate takes for unlikely
)

func trustBin(chance float64) int {
	for i, e := range trustEdges {
		if chance > e {
			return i
		}
	}
	return len(trustEdges)
}

// note takes in how a block fared that was to come with a chance.
func (t *trust) note(chance float64, bad bool) {
	x := &t[trustBin(chance)]
	t.count(chance, bad)
	if chance > evenChance {
		x.expected += 1 - chance
		if bad {
			x.found++
		}
	} else {
		x.expected += chance
		if !bad {
			x.found++
		}
	}
}

// chance is what the estimate's chance has meant so far, where that is a small one.
func (t *trust) chance(chance float64) float64 {
	x := &t[trustBin(chance)]
	return min(likeliest, chance*(x.found+trustWeight)/(x.expected+trustWeight))
}

// count takes in how a block fared, for hope alone.
func (t *trust) count(chance float64, bad bool) {
	x := &t[trustBin(chance)]
	x.tried++
	if !bad {
		x.came++
	}
}

// hope is the chance of blocks for which the estimate gives about as much, by nothing but
// how such blocks fared so far (Jeffreys' estimate of a share): it is above that of the
// model until enough of them have failed.
func (t *trust) hope(bin int) float64 {
	x := &t[bin]
	return (x.came + .5) / (x.tried + 1)
}
