package marks

import "math"

// look is what one block says of an edge that it ends at, or begins at.
type look struct {
	down   float64 // how far down the strip: 0 on its first ring, 1 on its last
	at     float64 // turns
	weight float64 // how much it counts that it failed; less than 0 where it came
}

// How an edge is looked for.
const (
	edgeReach = 96. / 360 // turns around where it was thought to be
	edgeSteps = angles    // places of a turn that are tried
	edgeSure  = 4. / 360  // turns that an edge keeps from what the blocks leave open, if they leave so much
	slanting  = 18.0      // blocks that a slant of one turn must explain
)

// slants are how much further on an edge may be on a strip's last ring than on its first,
// either way, in turns.
var slants = [...]float64{0, 3. / 360, 6. / 360, 10. / 360, 15. / 360, 22. / 360, 32. / 360, 45. / 360}

// settled is the edge beyond which blocks failed and before which they came, as far as
// that can be, and how many did not. For each slant all places are tried at once: what is
// wrong is counted from place to place. Of the places that are as good, it is the one
// nearest to where the edge was thought to be, but for a margin.
func settled(seen []look, line [2]float64, aslant bool) (edge [2]float64, wrong float64) {
	const bins = int(2 * edgeReach * edgeSteps)
	wrong = math.Inf(1)
	mid := (line[0] + line[1]) / 2
	try := func(slant float64) {
		var more [bins]float64 // by how much more is wrong with an edge beyond a place than before it
		sum := slanting * math.Abs(slant)
		for i := range seen {
			l := &seen[i]
			n := int((l.at-mid-(l.down-.5)*slant)*edgeSteps + float64(bins/2))
			more[min(max(0, n), bins-1)] += l.weight
			if l.weight < 0 {
				sum -= l.weight
			}
		}
		least, first, last := math.Inf(1), 0, 0
		for i, w := range more {
			if sum < least-.25 {
				least, first, last = sum, i, i
			} else if sum <= least+.25 && last == i-1 {
				last = i
			}
			sum += w
		}
		if least < wrong {
			wrong = least
			low, high := float64(first-bins/2)/edgeSteps, float64(last-bins/2)/edgeSteps
			margin := min((high-low)/2, edgeSure)
			at := mid + min(max(0, low+margin), high-margin)
			edge = [2]float64{at - slant/2, at + slant/2}
		}
	}
	for _, s := range slants {
		if try(s); !aslant {
			break
		}
		try(-s)
	}
	return edge, wrong
}
