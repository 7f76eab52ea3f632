package imager

import (
	"fmt"
	"slices"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Advice is what to do next with a case, and why.
type Advice struct {
	What string `json:"what"` // a sentence in the imperative
	Why  string `json:"why"`  // its ground, from what the case knows
	Do   string `json:"do"`   // the command, with CASE and DRIVE in it; "" where it is handwork

	// Gain is what it should win, of a treatment; null where nobody can know.
	Gain *Gain `json:"gain,omitempty"`
}

// Advise says what to do next, the least irreversible thing first: reading what
// was not asked for, cleaning, slower, another drive, polishing, sanding; or that the
// surface has given what it had. What a treatment will bring is guessed from the ones
// before it, and from nothing else.
func (l Look) Advise() []Advice {
	m, s := l.m, l.status()
	seen := mapfile.Seen{}
	if s.Seen != nil {
		seen = *s.Seen
	}
	last := len(s.Rounds) - 1
	switch {
	case s.Closing != nil: // its work is done
		return nil
	case s.Conflicts > 0:
		return []Advice{{What: "Settle what is in conflict.",
			Why: disputedInWords(s.Conflicts) + " by two sources with different bytes; the first are in the image, the others kept beside it.",
			Do:  "turnstone read CASE --settle"}}
	case s.Disc.Sectors > 0 && s.Missing() == 0:
		there := "Everything is in the image."
		if s.Wanted != nil {
			there = "Everything that is wanted is in the image."
		}
		return []Advice{{What: "Prove the image once more, then hand over.", Why: there, Do: "turnstone check --deep CASE"}}
	case seen.Crack == "yes":
		return []Advice{{What: "Do not spin it: a laboratory is what is left.",
			Why: "The disc is recorded as cracked, and can burst in the drive."}}
	}
	var out []Advice
	add := func(what, why, do string) { out = append(out, Advice{What: what, Why: why, Do: do}) }
	if s.Disc.Sectors == 0 {
		add("Read it.", "The disc was not recognised by a drive yet.", "turnstone read CASE --drive DRIVE")
	} else if s.OpenHere > 0 && len(s.Rounds[last].Passes) == 0 && last > 0 {
		add("Read it on its new surface.",
			"Nothing was asked for since the last treatment.",
			"turnstone read CASE --drive DRIVE")
	} else if s.OpenHere > 0 && !littleLeft(s.Rounds[last]) {
		add("Read on before anything is done to the surface.",
			"Not all that is missing was asked for on this surface yet.",
			"turnstone read CASE --drive DRIVE")
	}
	if s.FailedHere == 0 {
		return out
	}
	if !wordsDone(m)[Clean] {
		add("Clean it and read again.",
			"Nobody noted a cleaning, and dirt and fingerprints look like scratches to a drive.",
			"turnstone round CASE clean")
	}
	if heeds, slow := settingsIn(m, last); heeds && !slow {
		add("Ask this drive again, slower.",
			"A disc that turns slowly shakes less, and what is marginal may come; the drive may ignore it.",
			"turnstone read CASE --drive DRIVE --again --cap 4x")
	}
	if n := drivesIn(m, last); n < 2 {
		add("Let another drive try what is missing.",
			"One drive was asked on this surface; drives differ in what they can still read.",
			"turnstone read CASE --drive OTHER")
	}
	if s.OpenHere > 0 && littleLeft(s.Rounds[last]) {
		add("Read to the end, where time does not matter.",
			"What was not asked for on this surface was expected to bring less than a sector in ten seconds.",
			"turnstone read CASE --drive DRIVE --to-the-end")
	}
	switch {
	case s.Disc.Kind == "bd":
		add("Stop at cleaning: do not sand or polish it.",
			"A Blu-ray's data lies 0.1 mm under its surface.", "")
	case seen.Label == "holes":
		add("Look where the light comes through before you polish.",
			"Light through the disc means that data is gone there; polishing won't help it.", "")
		fallthrough
	default:
		out = append(out, resurfacing(l, s)...)
	}
	return out
}

// resurfacing is what is to be thought of before material is taken off, polishing before
// sanding: what is at stake, what it should win, and where to begin.
func resurfacing(l Look, s Status) (out []Advice) {
	m := l.m
	stake := fmt.Sprintf("Sectors in the image are safe whatever you do to the disc; at stake are %s missing.", sector.Thousands(s.Missing()))
	polishing, sanding, where := "polish fine, 90 s", "sand 3000, 2 min, 24-48 mm", ""
	if r, ok := l.ring(); ok {
		band := bandAbout(r.Inner, r.Outer)
		polishing, sanding = "polish fine, 90 s, "+band, "sand 3000, 2 min, "+band
		where = fmt.Sprintf(" Begin with %.0f–%.0f mm: %.0f %% of what failed lies there.", r.Inner, r.Outer, 100*r.Share)
	}
	polish := Advice{What: "Polish it, and read again after each polish.", Do: fmt.Sprintf("turnstone round CASE %q", polishing),
		Why: stake + where + " It takes less off than sanding, but can't be undone."}
	if gain, ok := gainOf(m, s.Missing()); ok {
		polish.Gain = &gain
		polish.Why = stake + " " + gain.inWords() + where + " Polishing takes less off than sanding, but can't be undone."
	}
	if x, ok := fruitless(m); ok {
		out = append(out, Advice{What: "Call it done, and hand over what there is.", Do: "turnstone report CASE",
			Why: fmt.Sprintf("The last treatment won %s of %s missing sectors: what is left is probably beyond more of the same, and each takes material off.",
				sector.Thousands(x.won), sector.Thousands(x.missing))})
	}
	return append(out, polish, Advice{What: "Sand scratches that a fingernail feels, wet, then polish.",
		Why: "Sanding takes most off and can't be undone; a sanded disc reads only once it is polished again.",
		Do:  fmt.Sprintf("turnstone round CASE %q", sanding)})
}

// leastBand is how wide a band a pad or a block of abrasive covers at the least, in mm
// (common practice).
const leastBand = 8

// bandAbout is a band that hands can treat, about one that is worst, as it is typed.
func bandAbout(inner, outer float64) string {
	more := max(0, leastBand-(outer-inner)) / 2
	return fmt.Sprintf("%.0f-%.0f mm", max(21, inner-more), min(59, outer+more))
}

// First is the first n of some advice. Where one of the others tells what it should win it
// is the last of them: what comes before it costs nothing, but that is what people ask.
func First(all []Advice, n int) []Advice {
	if len(all) <= n {
		return all
	}
	out := slices.Clone(all[:n])
	for _, a := range all[n:] {
		if a.Gain != nil {
			out[n-1] = a
		}
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

// settingsIn tells whether a drive that heeds settings read in a round, and whether one
// was asked to read slowly.
func settingsIn(m *mapfile.Map, round int) (heeds, slow bool) {
	for _, p := range m.Passes() {
		if p.Round != round {
			continue
		}
		for _, s := range p.Settings {
			heeds = heeds || s.Retries != nil
			slow = slow || s.SpeedKBps > 0
		}
	}
	return heeds, slow
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
