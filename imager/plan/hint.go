package plan

import "turnstone/mapfile"

// What earlier passes, in other rounds or with other drives, say of a block: how
// much that is worth is learnt, as if each of these were one more cell that the
// block passes over.
const (
	unheard  = iota // nothing
	hintBad         // it was not corrected
	hintLost        // the drive lost the track in it
	hints
)

// hint is what is known of the blocks of one kind.
type hint struct {
	seen, blamed float64
	rate         float64
	fails, lost  float64
}

// newHints begins with a guess that a few blocks outweigh.
func newHints() (h [hints]hint) {
	for kind, rate := range [hints]float64{0, .5, 1} {
		h[kind].rate = rate
	}
	return h
}

const hintWeight = 4 // blocks

var hintGuess = [hints]float64{0, .5, 1}

func (h *hint) learn(kind int) {
	h.rate = (h.blamed + hintWeight*hintGuess[kind]) / (h.seen + hintWeight)
}

// losing is the share of the failures that lose the track, where it is another one for
// blocks of which nothing was heard. Where a drive loses the track, another is likely to
// do so, and hardly in the blocks beside it that came or failed: the kind says more than
// the place.
func (h *hint) losing(kind uint8, here float64) float64 {
	trust := min(.9, (h.fails+1)/(h.fails+11))
	return here + trust*((h.lost+hintGuess[kind]/2)/(h.fails+1)-here)
}

// hear takes the passes of other rounds and drives in; the latest that asked
// counts.
func (s *byPlace) hear(h Past) {
	for _, run := range h.Runs {
		kind, what := uint8(unheard), uint8(sawGood)
		switch run.Result {
		case mapfile.Failed:
			kind, what = hintBad, sawBad
		case mapfile.LostTrack, mapfile.Stalled:
			kind, what = hintLost, sawBad
		case mapfile.Merged:
			continue
		}
		for b := range s.blocks(run.Range) {
			s.field.kind[b] = kind
			s.saw[b] = what
		}
	}
}

// recall takes an earlier pass of this round and drive in: it saw the same.
func (s *byPlace) recall(h Past) {
	ring := 0
	for _, run := range h.Runs {
		if run.Result == mapfile.Merged || run.Alone && s.disc.Block > 1 {
			continue
		}
		for b := range s.blocks(run.Range) {
			ring = s.field.ringFrom(ring, b)
			s.see(ring, b, run.Result != mapfile.Delivered, run.Result == mapfile.LostTrack || run.Result == mapfile.Stalled)
		}
	}
}
