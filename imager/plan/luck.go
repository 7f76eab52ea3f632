package plan

// luck is on while places only seem to differ in what they bring.
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
// Each way there is lost then, and what is left in pieces costs ways again. So the best is
// taken for no better than the mean of all places, as what is extreme by chance goes back to
// the mean (F. Galton, 1886), and the place where the head is for as much better than it
// looks as it was seen to be. That mean is also the price by which blocks are passed over
// (byPlace.worth): up to where a run begins as it is, since that has to be gone to anyhow;
// from there on a block must be ten times too dear. And no looks ahead are taken meanwhile:
// they would tell of a surface.
type luck struct{ on bool }

const (
	luckFrom = .22       // share of what is beside from which on it is luck: where there are marks it is a fifth at the most ...
	luckTill = .2        // ... and under which it is none: all runs are looked along again whenever it changes
	luckHere = .35 / .21 // of the chances above; taken for that of the rates, too: 1.5 to 2 do as well
	luckPast = 10        // on discs of 10,000 blocks 2 to 100 do as well, to some hundredths
)

// take works it out anew, by how much what is beside is believed beside the surface
// (skill.besideShare).
func (l *luck) take(share float64) { l.on = share > luckFrom || l.on && share > luckTill }

// elsewhere is what another place brings a second, if the best looks like so much and all
// together bring so much.
func (l *luck) elsewhere(best, all float64) float64 {
	if l.on && all > 0 {
		return all
	}
	return best
}

// here is how many times as good as it looks the place is where the head is.
func (l *luck) here() float64 {
	if l.on {
		return luckHere
	}
	return 1
}

// past is how many times too dear a block must be to be passed over.
func (l *luck) past() float64 {
	if l.on {
		return luckPast
	}
	return 1
}
