package plan

import (
	"encoding/binary"
	"math/bits"
)

// rows is how blocks fared that lie in a row of failures. A row is a stretch by address in
// which blocks failed and none came, as far as they were asked for. No scratch across the
// track makes a long one: a turn of a DVD holds two to four blocks, of which it meets some,
// and the next turn's begin elsewhere. What does is a ring, a dead end, a fault of the writer:
// in these what comes next is bad, too, whatever the surface tells of its angle, until they end.
//
// What has lasted so long is expected to last as long again (J. R. Gott, 1993); and where it
// ends between a block that failed and one that came, what lies between is likelier to fare as
// the nearer of the two did. So a block lies in a row where it is not farther from it than the
// row is long, nor than from what came on its other side: where its distance is no more than
// half of the sum of that and the smaller of these; the smaller a part of it, the deeper. Blocks
// that failed belong to one row however far apart, as long as none came between them:
//
//	               row                     beside it               came
//	blocks    ─x─x─·─·─x─x─·─x─x─·─·─·─·─·─·─·─·─·─·─·─·─·─·─·─o─
//	depth          3 3     3     3 2 2 1 1 1 1 1 0 0 0 0 0 0 0
//
// Of such blocks it is counted how many came and how many were expected, depth by depth. As
// a gamma distribution of mean 1 would be, that is their chance's factor; it never raises one.
// It is used while there is luck (luck.go). The regression (skill.go) finds runs of bad blocks
// out after some thirty failures, by when a small disc has no more, and tells nothing of where
// they end. Time until 99 % is there, by stretches' time, 200 discs together on which a fifth
// of the runs of 97 blocks is bad:
//
//	blocks of the disc      500    1,000   2,000   5,000
//	without rows            2.0     2.1     1.5     0.6
//	with them               0.7     0.7     0.7     0.3
type rows [rowSteps]rowFared

type rowFared struct{ came, expected float64 }

const (
	rowReach  = 256 // blocks to either side in which it is looked for
	rowSteps  = 4   // depths: from a half, a quarter, an eighth and a sixteenth of that sum
	rowMemory = 100 // blocks

	// Failures that make one, and blocks for which what is expected counts. With 4, and with 2,
	// small discs that are good and bad by sevens take up to a tenth longer, being left too soon.
	rowLeast  = 6
	rowWeight = 3
)

// note takes in how a block fared of which so much was expected, at such a depth.
func (r *rows) note(depth int, chance float64, bad bool) {
	if depth == 0 {
		return
	}
	x := &r[depth-1]
	x.came *= 1 - 1./rowMemory
	x.expected *= 1 - 1./rowMemory
	x.expected += chance
	if !bad {
		x.came++
	}
}

// factor is that of the chance of a block at such a depth.
func (r *rows) factor(depth int) float64 {
	if depth == 0 {
		return 1
	}
	x := &r[depth-1]
	return min(1, (x.came+rowWeight)/(x.expected+rowWeight))
}

// side is what was seen to one side of a block, up to where something came.
type side struct {
	failed     int64 // blocks
	away, long int64 // blocks to the nearest of them, and from that to the last; 0 where none failed
	came       int64 // blocks to what came, where it came before any failed; else 0
}

// row is how deep in a row a block is, up to rowSteps; 0 where it is in none.
func (k *skill) row(b int64) int {
	lo, hi := k.side(b, -1), k.side(b, 1)
	if lo.failed+hi.failed < rowLeast {
		return 0
	}
	away, far := lo.away+hi.away, lo.long+hi.long // one of each is 0 beside a row
	switch {
	case lo.failed > 0 && hi.failed > 0:
		away, far = min(lo.away, hi.away), far+away-1
	case lo.came+hi.came > 0:
		far = min(far, lo.came+hi.came)
	}
	return min(bits.Len64(uint64((away+far)/away))-1, rowSteps)
}

// side looks to one side: steps of −1 or 1.
func (k *skill) side(b, step int64) (s side) {
	for d := int64(1); d <= rowReach; d++ {
		x := b + d*step
		if x < 0 || x >= int64(len(k.saw)) {
			break
		}
		switch k.saw[x] {
		case unseen:
			// Eight of which nothing was seen, which is 0, are passed at once.
			if lo := min(x, x+7*step); lo >= 0 && lo+8 <= int64(len(k.saw)) && binary.NativeEndian.Uint64(k.saw[lo:]) == 0 {
				d += 7
			}
		case sawGood: // also if it came before
			if s.failed == 0 {
				s.came = d
			}
			return s
		default:
			if !k.own[x] {
				continue
			}
			if s.failed == 0 {
				s.away = d
			}
			s.failed++
			s.long = d - s.away + 1
		}
	}
	return s
}
