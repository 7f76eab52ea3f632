package imager

import (
	"fmt"

	"turnstone/mapfile"
)

// Advice is what to do next with a case, and why.
type Advice struct {
	What string `json:"what"` // a sentence in the imperative
	Why  string `json:"why"`  // its ground, from what the case knows
	Do   string `json:"do"`   // the command, with CASE and DRIVE in it; "" where it is handwork
}

// Advise says what to do next, the least irreversible thing first: reading what
// was not asked for, cleaning, another drive, polishing, sanding. It states
// nothing but what the case shows; what a treatment will bring is not known.
func Advise(m *mapfile.Map) []Advice {
	s := StatusOf(m)
	seen := mapfile.Seen{}
	if s.Seen != nil {
		seen = *s.Seen
	}
	last := len(s.Rounds) - 1
	switch {
	case s.Closing != nil: // its work is done
		return nil
	case s.Conflicts > 0:
		return []Advice{{"Settle what is in conflict.",
			disputedInWords(s.Conflicts) + " by two sources with different bytes; the first are in the image, the others kept beside it.",
			"turnstone read CASE --settle"}}
	case s.Disc.Sectors > 0 && s.Missing() == 0:
		there := "Everything is in the image."
		if s.Wanted != nil {
			there = "Everything that is wanted is in the image."
		}
		return []Advice{{"Prove the image once more, then hand over.", there, "turnstone check --deep CASE"}}
	case seen.Crack == "yes":
		return []Advice{{"Do not spin it: a laboratory is what is left.",
			"The disc is recorded as cracked, and can burst in the drive.", ""}}
	}
	var out []Advice
	if s.Disc.Sectors == 0 {
		out = append(out, Advice{"Read it.", "The disc was not recognised by a drive yet.", "turnstone read CASE --drive DRIVE"})
	} else if s.OpenHere > 0 && len(s.Rounds[last].Passes) == 0 && last > 0 {
		out = append(out, Advice{"Read it on its new surface.",
			"Nothing was asked for since the last treatment.",
			"turnstone read CASE --drive DRIVE"})
	} else if s.OpenHere > 0 && !littleLeft(s.Rounds[last]) {
		out = append(out, Advice{"Read on before anything is done to the surface.",
			"Not all that is missing was asked for on this surface yet.",
			"turnstone read CASE --drive DRIVE"})
	}
	if s.FailedHere == 0 {
		return out
	}
	done := wordsDone(m)
	if !done[Clean] {
		out = append(out, Advice{"Clean it and read again.",
			"Nobody noted a cleaning, and dirt and fingerprints look like scratches to a drive.",
			"turnstone round CASE clean"})
	}
	if n := drivesIn(m, last); n < 2 {
		out = append(out, Advice{"Let another drive try what is missing.",
			"One drive was asked on this surface; drives differ in what they can still read.",
			"turnstone read CASE --drive OTHER"})
	}
	if s.OpenHere > 0 && littleLeft(s.Rounds[last]) {
		out = append(out, Advice{"Read to the end, where time does not matter.",
			"What was not asked for on this surface was expected to bring less than a sector in ten seconds.",
			"turnstone read CASE --drive DRIVE --to-the-end"})
	}
	switch {
	case s.Disc.Kind == "bd":
		out = append(out, Advice{"Stop at cleaning: do not sand or polish it.",
			"A Blu-ray's data lies 0.1 mm under its surface.", ""})
	case seen.Label == "holes":
		out = append(out, Advice{"Look where the light comes through before you polish.",
			"Light through the disc means that data is gone there; polishing won't help it.", ""})
		fallthrough
	default:
		out = append(out, Advice{"Polish it, and read again after each polish.",
			"It takes less off than sanding, but can't be undone: what is in the image is safe, the rest is at stake.",
			"turnstone round CASE \"polish fine, 90 s\""})
		out = append(out, Advice{"Sand scratches that a fingernail feels, wet, then polish.",
			"Sanding takes most off and can't be undone; a sanded disc reads only once it is polished again.",
			"turnstone round CASE \"sand 3000, 2 min, 24-48 mm\""})
	}
	return out
}

// disputedInWords is the beginning of a sentence on so many sectors in conflict.
func disputedInWords(n int64) string {
	if n == 1 {
		return "1 sector was given"
	}
	return fmt.Sprintf("%d sectors were given", n)
}

// wordsDone is which words of the trade stand in the case's treatments.
func wordsDone(m *mapfile.Map) map[string]bool {
	done := map[string]bool{}
	for _, r := range m.Rounds() {
		for _, t := range r.Treatments {
			done[t.Word] = true
		}
	}
	return done
}

// drivesIn is how many drives read in a round.
func drivesIn(m *mapfile.Map, round int) int {
	drives := map[int]bool{}
	for _, p := range m.Passes() {
		if p.Round == round && p.Drive >= 0 {
			drives[p.Drive] = true
		}
	}
	return len(drives)
}

// littleLeft tells whether the last pass of a round ended because what was left was not
// expected to be worth its time.
func littleLeft(r RoundStatus) bool {
	n := len(r.Passes)
	return n > 0 && r.Passes[n-1].Ended == HowLittleLeft
}
