package plan

import "math"

// standing is what is open, by the good blocks a second that it brings: how many blocks
// are expected of all that brings less, and the seconds that all of it takes, in sums by
// half octaves.
//
// It says what it costs to pass something over, or to leave a place: whoever does that
// moves there once more. The price falls while the reading goes on, and what brings v a
// second is put off to when that is the price. Till then all that brings more is read
// sooner by the time that was saved; but all that brings less comes later by the move:
//
//	a second of moving  =  blocks expected below v ÷ seconds from v up to the price
//
// That is nothing where dead blocks are put off to the end of a pass, and all of the
// price where everything is as good as the rest and nothing is won by choosing.
type standing struct{ gain, cost [standings + 1]float64 }

const (
	standings = 64 // half octaves
	faintest  = 2 * (1023 - 16)
)

// standingOf is the half octave of so many good blocks a second, from 2⁻¹⁶ on.
func standingOf(v float64) int {
	return min(max(0, int(math.Float64bits(v)>>51)-faintest), standings-1)
}

// add counts a block.
func (x *standing) add(gain, cost float64) {
	i := standingOf(gain/cost) + 1
	x.gain[i] += gain
	x.cost[i] += cost
}

// sum makes sums of what was counted.
func (x *standing) sum() {
	for i := range standings {
		x.gain[i+1] += x.gain[i]
		x.cost[i+1] += x.cost[i]
	}
}

// back is what a second more of moving is worth, in good blocks, for what brings v a
// second, at a price.
func (x *standing) back(v, price float64) float64 {
	if v >= price {
		return price
	}
	i, j := standingOf(v), standingOf(price)
	below := (x.gain[i] + x.gain[i+1]) / 2
	between := (x.cost[j]+x.cost[j+1])/2 - (x.cost[i]+x.cost[i+1])/2
	if below >= price*between {
		return price
	}
	return below / between
}
