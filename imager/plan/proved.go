package plan

// proved is what came of blocks by how much was expected of them, in the end and by all that
// is known. The weights of the regression (skill.go) are right for all blocks together; where
// they rest on a few outcomes beside a block they can be far off for some. On patches of 24
// blocks of which a quarter is good, of those in the middle of one too much is expected, and
// too little of those at its end, behind which all is good:
//
//	expected   .18   .25   .34   .44   .54   .64   .75   .86
//	came       .47   .28   .17   .15   .20   .43   .69   .93
//
// Outcomes are counted at steps, shared between the two next to a chance, and what is expected
// counts as some outcomes more. It is used while there is luck (luck.go), also by the first of
// a disc: what a surface tells holds for all chances alike, and is kept as it is. Nothing is
// given up by it: before that blocks are tried by how such have fared (trust.hope), all over
// the disc.
type proved [provedSteps + 1]fared

const (
	provedSteps  = 16   // from 0 up to 1
	provedWeight = 10   // outcomes for which what is expected counts: 4 are too few
	provedMemory = 1000 // outcomes
	provedSure   = .95  // chance from which on it is kept: of what is sure it is the failures that count, and they are few
)

// near gives the step at or below a chance, and how far on the way to the next one it is.
func (c *proved) near(chance float64) (step int, on float64) {
	x := chance * provedSteps
	step = min(int(x), provedSteps-1)
	return step, x - float64(step)
}

// note takes in how a block fared of which so much was expected.
func (c *proved) note(chance float64, bad bool) {
	if chance > provedSure {
		return
	}
	step, on := c.near(chance)
	for i, share := range [...]float64{1 - on, on} {
		x := &c[step+i]
		x.came *= 1 - share/provedMemory
		x.bad *= 1 - share/provedMemory
		if bad {
			x.bad += share
		} else {
			x.came += share
		}
	}
}

// chance is what such a chance has come to.
func (c *proved) chance(chance float64) float64 {
	if chance > provedSure {
		return chance
	}
	step, on := c.near(chance)
	if step == 0 { // hopeless stays hopeless: in proportion
		return on * c[1].of(1./provedSteps)
	}
	return (1-on)*c[step].of(chance) + on*c[step+1].of(chance)
}

// of is the share that came, the chance that was expected counting for some.
func (x *fared) of(chance float64) float64 {
	return (x.came + provedWeight*chance) / (x.came + x.bad + provedWeight)
}
