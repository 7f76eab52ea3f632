package plan

import "math/bits"

// rows is how rows of failures go on. A row is blocks that failed one behind the other by
// address. No scratch across the track makes a long one: a turn of a DVD holds two to four
// blocks, of which it meets some, and the next turn's begin elsewhere. What does is a ring, a
// dead end, a fault of the writer: in these what comes next is bad, too, whatever the
// surface tells of its angle. The regression (skill.go) finds out after some thirty failures,
// by when a small disc has no more: runs of a hundred bad blocks on discs of 500, 1,000 and
// 2,000 took 1.8, 1.7 and 1.4 times as long as by stretches until 99 % was there, all discs
// together, now 1.0, 1.3 and 1.2.
//
// A block is in a row where nothing came between them, and the row is at least as long as it
// is away: what has lasted so long is expected to last as long again (J. R. Gott, 1993). Of
// such blocks it is counted how many came and how many were expected, in steps of the row's
// length:
//
//	     row            asked now
//	─x─x─x─x─x─x─·─·─·─b─·─·─
//	 6 failed   b is 4 away: in the row
//
// As a gamma distribution of mean 1 would be, that is their chance's factor; it never raises
// one. It is used while there is luck (luck.go).
type rows [rowSteps]rowFared

type rowFared struct{ came, expected float64 }

const (
	rowLeast  = 4  // blocks that make one: of 3 are those of patches of which every fourth is good
	rowMost   = 16 // blocks that are counted, and that it reaches
	rowSteps  = 3  // from 4, from 8, 16
	rowWeight = 2  // blocks for which what is expected counts: with 1 what is good and bad by sevens on a small disc is left too soon
	rowMemory = 100
)

// rowStep is the step of a row of that length; false where it is none.
func rowStep(row int) (int, bool) {
	return bits.Len(uint(row)) - bits.Len(rowLeast), row >= rowLeast
}

// note takes in how a block fared of which so much was expected, in such a row.
func (r *rows) note(row int, chance float64, bad bool) {
	i, ok := rowStep(row)
	if !ok {
		return
	}
	x := &r[i]
	x.came *= 1 - 1./rowMemory
	x.expected *= 1 - 1./rowMemory
	x.expected += chance
	if !bad {
		x.came++
	}
}

// factor is that of the chance of a block in such a row.
func (r *rows) factor(row int) float64 {
	i, ok := rowStep(row)
	if !ok {
		return 1
	}
	return min(1, (r[i].came+rowWeight)/(r[i].expected+rowWeight))
}

// row is the length of the row that a block is in, up to rowMost; 0 where it is in none.
func (k *skill) row(b int64) int { return max(k.rowTo(b, -1), k.rowTo(b, 1)) }

// rowTo is that of the row on one side: steps of −1 or 1.
func (k *skill) rowTo(b, step int64) int {
	in := func(x int64) bool { return x >= 0 && x < int64(len(k.saw)) }
	away := int64(1)
	for ; away <= rowMost && in(b+away*step) && !k.own[b+away*step]; away++ {
		if k.saw[b+away*step] == sawGood { // it came before
			return 0
		}
	}
	n := int64(0)
	for x := b + away*step; n < rowMost && in(x) && k.own[x] && k.saw[x] == sawBad; x += step {
		n++
	}
	if n < away {
		return 0
	}
	return int(n)
}
