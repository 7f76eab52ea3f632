package plan

import "math"

// alike is how the blocks near a ring fared that begin at the same angle.
//
// Marks add up under a block: with a tenth of its rows in the way of the beam a block
// comes, with a little more it does not, which no sum of losses by cells tells from
// two halves of that. But a block that begins where another did, a few turns away,
// lies over the same marks with the same share of each:
//
//	turn      angle ─▶
//	  1000    ├──good──┤├──bad──┤├─
//	  1001    ─┤├──good──┤├──bad──┤
//	  1003     ├──?                       most like the one above it at 1000
//
// So the chance that the cells give stands for so many blocks of this kind, and
// those that were seen are added: a mean, as of a coin with a guess (beta
// distribution).
type alike struct{ came, bad cells } // by the angle where blocks begin

const (
	alikeRings  = 4  // within which blocks are alike, the less the farther away
	alikeBeside = .3 // of a block is counted in the cells on both sides
	alikeGuess  = 1  // blocks for which the chance by cells stands
)

// alikeTo counts a block that began in ring i, or what of it in the rings around.
func (f *field) alikeTo(i int, b int64, bad bool) {
	if !f.rings[i].leg.fitted() {
		return
	}
	c, part := f.beginning(b)
	shares := [...]float32{alikeBeside * (1 - part), 1 - part + alikeBeside*part, part + alikeBeside*(1-part), alikeBeside * part}
	for j := max(f.span[i][0], i-alikeRings); j < min(f.span[i][1], i+alikeRings+1); j++ {
		d := i - j
		if d < 0 {
			d = -d
		}
		near := 1 - float32(d)/(alikeRings+1)
		at := &f.alike[j].came
		if bad {
			at = &f.alike[j].bad
		}
		for k, s := range shares {
			at[(c+bins-1+k)%bins] += near * s
		}
	}
}

// beginning is the cell in whose middle a block begins, or behind it, and how far behind
// in cells.
func (f *field) beginning(b int64) (c int, part float32) {
	x := float64(f.phase[b]) + bins - .5
	c = int(x)
	return c % bins, float32(x - float64(c))
}

// chanceAlike is the chance where the cells give a loss, corrected by how blocks fared that
// begin at that angle.
func (f *field) chanceAlike(i int, b int64, loss float64) float64 {
	a := &f.alike[i]
	c, part := f.beginning(b)
	d := (c + 1) % bins
	came := float64(max(0, a.came[c]+part*(a.came[d]-a.came[c])))
	bad := float64(max(0, a.bad[c]+part*(a.bad[d]-a.bad[c])))
	switch {
	case came == 0 && bad == 0:
		return math.Exp(-loss)
	case bad == 0 && loss < .03:
		return math.Exp(-(loss * alikeGuess / (came + alikeGuess)))
	}
	return (came + alikeGuess*math.Exp(-loss)) / (came + bad + alikeGuess)
}
