package imager

import (
	"fmt"
	"math"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Gain is what another treatment should win, by what earlier ones have won.
type Gain struct {
	Low    int64 `json:"low"`    // sectors; between both in four of five cases, as a guess
	High   int64 `json:"high"`   //
	Rounds int   `json:"rounds"` // from which it is guessed
}

// treatedRound is a treatment that was read after: what was missing before it, and what of
// that came by drives which had read before it. What a drive that is new to the disc
// brings says nothing of the treatment.
type treatedRound struct{ missing, won int64 }

// treatedRounds are the rounds of a case whose surface was polished and read, oldest
// first. What was done in rounds that nobody read counts with the next; a surface that was
// sanded last is dull, and what it gives says nothing of a treatment.
func treatedRounds(m *mapfile.Map) (all []treatedRound) {
	known := map[int]bool{} // drives that have read
	written := m.Disc().Written
	missing := written.Count()
	polished, number := false, 0
	for round, r := range m.Rounds() {
		for _, t := range r.Treatments {
			switch t.Word {
			case Polish:
				polished = true
			case Sand:
				polished = false
			}
		}
		x := treatedRound{missing: missing}
		again := false // a drive read that had read before
		var here []int
		for ; number < len(m.Passes()) && m.Passes()[number].Round == round; number++ {
			won, drive := m.Won(number), m.Passes()[number].Drive
			missing -= won
			if drive < 0 { // merged
				continue
			}
			here = append(here, drive)
			if known[drive] {
				again = true
				x.won += won
			}
		}
		for _, d := range here {
			known[d] = true
		}
		if polished && again {
			all = append(all, x)
		}
		polished = polished && len(here) == 0
	}
	return all
}

// How gains of treatments scatter: in log odds of the share that they win, by a
// standard deviation of so much at least; and by how much a round counts less than the
// one after it. Both were chosen on simulated discs, whose polishing is invented: no
// figures of real ones are published.
const (
	leastScatter = 1.2
	fades        = .5
	fourOfFive   = 1.28 // deviations of a normal distribution that hold as many
)

// gainOf guesses what another treatment wins of so many missing sectors, like the ones
// before it; not ok where none was read after.
func gainOf(m *mapfile.Map, missing int64) (g Gain, ok bool) {
	all := treatedRounds(m)
	var weight, sum, square, n float64
	for i := range all {
		x := all[len(all)-1-i]
		if x.missing == 0 {
			continue
		}
		w := math.Pow(fades, float64(i))
		odds := math.Log((float64(x.won) + .5) / (float64(x.missing-x.won) + .5))
		weight, sum, square, n = weight+w, sum+w*odds, square+w*odds*odds, n+1
	}
	if n == 0 || missing == 0 {
		return g, false
	}
	middle := sum / weight
	scatter := max(leastScatter, math.Sqrt(max(0, square/weight-middle*middle)))
	off := fourOfFive * scatter * math.Sqrt(1+1/n)
	share := func(odds float64) int64 { return int64(float64(missing) / (1 + math.Exp(-odds))) }
	return Gain{share(middle - off), share(middle + off), int(n)}, true
}

// inWords says a gain: "Another polish: 200–700 expected, a guess from two rounds."
func (g Gain) inWords() string {
	rounds := "one round"
	if g.Rounds > 1 {
		rounds = fmt.Sprintf("%d rounds", g.Rounds)
	}
	return fmt.Sprintf("Another treatment: %s–%s expected, a guess from %s.", sector.Thousands(sector.About(float64(g.Low))), sector.Thousands(sector.About(float64(g.High))), rounds)
}

// fruitless tells whether the last treatment won so little that more of it is for
// nothing; it says what it won, of how many.
func fruitless(m *mapfile.Map) (last treatedRound, ok bool) {
	const little = .01 // of what was missing
	all := treatedRounds(m)
	if len(all) == 0 {
		return last, false
	}
	last = all[len(all)-1]
	return last, float64(last.won) < little*float64(last.missing)
}
