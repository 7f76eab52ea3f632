package plan

import "math"

// trust is how far the estimate's chances have proved true: by size of the loss,
// what was expected of blocks and what came. Where success is likely failures are
// counted, else successes: what is rare is what matters.
type trust [len(trustEdges) + 1]struct{ expected, found, tried, came float64 }

var trustEdges = [...]float64{.003, .01, .03, .07, .15, .3, .7, 1.2, 1.8, 2.5, 3.5, 5}

const (
	evenLoss    = .7 // about one half comes
	trustWeight = 4  // of the guess that the estimate is right, in blocks found
	likeliest   = .8 // of a block that the estimate takes for unlikely
)

func trustBin(loss float64) int {
	for i, e := range trustEdges {
		if loss < e {
			return i
		}
	}
	return len(trustEdges)
}

// note takes in how a block fared of which a loss was expected.
func (t *trust) note(loss float64, bad bool) {
	x := &t[trustBin(loss)]
	t.count(loss, bad)
	if chance := math.Exp(-loss); loss < evenLoss {
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

// loss is what the estimate's loss has meant so far.
func (t *trust) loss(loss float64) float64 {
	x := &t[trustBin(loss)]
	by := (x.found + trustWeight) / (x.expected + trustWeight)
	switch {
	case loss < .1:
		return loss * by
	case loss < evenLoss:
		return -math.Log1p(-min(.9, (1-math.Exp(-loss))*by))
	}
	return -math.Log(min(likeliest, math.Exp(-loss)*by))
}

// count takes in how a block fared, for hope alone.
func (t *trust) count(loss float64, bad bool) {
	x := &t[trustBin(loss)]
	x.tried++
	if !bad {
		x.came++
	}
}

// hope is the chance of blocks of a loss by nothing but how such blocks fared so far
// (Jeffreys' estimate of a share): it is above that of the model until enough of them
// have failed.
func (t *trust) hope(bin int) float64 {
	x := &t[bin]
	return (x.came + .5) / (x.tried + 1)
}
