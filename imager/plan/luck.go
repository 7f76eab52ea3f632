package plan

// luck is on while places only seem to differ in what they bring: until so many blocks have
// failed that a surface would have shown itself, and from then on where what is beside a block
// is believed instead.
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
// the mean (F. Galton, 1886), and the place where the head is for better than it looks. That
// mean is also the price by which blocks are passed over (byPlace.worth): up to where a run
// begins as it is, since that has to be gone to anyhow; from there on a block must be
// many times too dear. What is expected of a block is corrected by what came of such (proved.go).
// And no looks ahead are taken meanwhile: they would tell of a surface. That puts them off
// where there is one: a disc with a thousand scratches comes a sixth later in the mean, its
// later rounds a tenth sooner. Where a part of a disc is dead fewer blocks are asked for in vain
// before it is left: half of those that the looks took.
type luck struct {
	on    bool
	shown bool // by what is believed, not for want of failures
}

const (
	// Failures of this round and drive until which it is on in any case. 30 leave patches on
	// small discs a third longer than stretches now and then.
	luckUntil = 60

	// Share of what is beside from which on it is shown, and under which it is not: where there
	// are marks it is a fifth at the most, and all runs are looked along again when it changes.
	luckFrom = .22
	luckTill = .2

	// So many times as good as it looks the place of the head is taken to be, where luck is
	// shown and where it is not yet. By the chances above it would be 1.67. Small discs with
	// patches of which most is good take 1.035 of stretches' time with 3, 1.025 with 4, 1.02 with
	// 6; but of patches of which a quarter is good half comes later the longer the head stays: on
	// a whole disc in 0.59, 0.70 and 0.89 of it. Where luck is not shown it may be a scratch that
	// the head should leave, and the bands farther out should come first: from 1.4 on they do not,
	// and a disc with few scratches comes a third later in the mean.
	luckHere  = 4
	maybeHere = 1.3

	// So many times too dear a block must be to be passed over. Where luck is shown 10 leave a
	// hundredth more, and 100 are no better. Where it is not 30 have a disc with some forty
	// scratches come a quarter later: that much of what they stop is read through in vain.
	luckPast  = 30
	maybePast = 10
)

// take works it out anew, by how much what is beside is believed beside the surface
// (skill.besideShare), and whether enough has failed to tell: so many blocks, or nearly all of
// them in one part of the disc that is dead (dead.go). Where it changes, chances that were
// worked out already hold until the next outcome.
func (l *luck) take(share float64, told bool) {
	l.shown = share > luckFrom || l.shown && share > luckTill
	l.on = l.shown || !told
}

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
	switch {
	case l.shown:
		return luckHere
	case l.on:
		return maybeHere
	}
	return 1
}

// past is how many times too dear a block must be to be passed over.
func (l *luck) past() float64 {
	switch {
	case l.shown:
		return luckPast
	case l.on:
		return maybePast
	}
	return 1
}
