package plan

import "math"

// luck is how many times as good as where the head is another place must look to be gone
// to, and how many times too dear a block on the way must look to be passed over.
//
// The surface is known from hundreds of turns; what is beside a block from a handful of
// outcomes. Where the regression believes what is beside and not the surface (skill.go), of
// hundreds of places that are alike the one that looks best does so by luck, and the one
// that is to be left after a failure looks worse than it is. Measured on patches of which a
// quarter is good, where little was left to be expected anywhere:
//
//	                                  expected   came
//	blocks that were left               .21       .35
//	blocks that were gone to for it     .30       .31
//
// Each way there is lost then, and what is left in pieces costs ways again. So a place is
// read through: until it is read, or until failures running show that the head may be where
// all is dead; with each of them the luck that keeps it there wears off. Where a run is to begin is chosen without luck, since it has to be gone
// to anyhow. And no looks ahead are taken meanwhile: they would tell of a surface.
type luck struct {
	times float64 // 1: places are as good as they look
	vain  int     // failures running, wherever they lay
}

// All found by trial, on discs that no model fits.
const (
	luckMost = 100 // what is added to 1 where what is beside is believed alone
	luckFrom = 2   // less counts as none: where there are marks the surface is believed four times as much, and more
	luckVain = 8   // failures running after which it keeps the head no longer
)

// take works it out anew, by how much what is beside is believed beside the surface
// (skill.besideShare): there is luck from a share of .22 on. It goes by half octaves, since
// all runs are looked along again whenever it changes.
func (l *luck) take(share float64) {
	l.times = 1
	if n := 1 + luckMost*share*share*share; n >= luckFrom {
		l.times = math.Exp2(math.Round(2*math.Log2(n)) / 2)
	}
}

// note takes an answer in: blocks that came, and whether one failed then.
func (l *luck) note(came int64, failed bool) {
	if came > 0 {
		l.vain = 0
	}
	if failed {
		l.vain++
	}
}

// leaving is how many times as good another place must look now: after each failure by the
// same factor less.
func (l *luck) leaving() float64 {
	return math.Pow(l.times, max(0, 1-float64(l.vain)/luckVain))
}

// none tells that places are as good as they look.
func (l *luck) none() bool { return l.times == 1 }
