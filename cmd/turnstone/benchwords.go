package main

import (
	"fmt"
	"strings"

	"turnstone/cmd/turnstone/bench"
	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// pageWords is how the page says things: as the command line does.
type pageWords struct{}

// Passing implements bench.Speech.
func (pageWords) Passing() func(imager.Progress) bench.Telling {
	say := &sentence{}
	return func(p imager.Progress) bench.Telling {
		say.watch(p)
		t := bench.Telling{Sentence: say.of(p)}
		rate, left := say.rate(p)
		if rate > 0 {
			t.Rate = speed(rate)
		}
		if left > 0 {
			t.Left = roughly(left)
		}
		return t
	}
}

// Event implements bench.Speech.
func (pageWords) Event(e mapfile.Event) string {
	return strings.TrimPrefix(eventLine(e), clock(e))
}

// Far implements bench.Speech.
func (pageWords) Far(good, all int64) string {
	switch missing := all - good; {
	case all == 0:
		return "Nothing is known of its size yet"
	case missing == 0:
		return fmt.Sprintf("All %s sectors (%s)", sector.Thousands(good), size(good))
	default:
		return fmt.Sprintf("%s there, %s missing (%s)", share(good, all), sector.Thousands(missing), size(missing))
	}
}

// Trouble implements bench.Speech.
func (pageWords) Trouble(err error) string {
	text := err.Error()
	if hint := cure(err); hint != "" {
		text += ". " + hint
	}
	return text
}

// Standing implements bench.Counsel.
func (pageWords) Standing(st imager.Status) string { return standing(st) }

// Film implements bench.Counsel.
func (pageWords) Film(x imager.Film) string { return filmShows(x) }

// Whole implements bench.Counsel.
func (pageWords) Whole(l imager.Listed) string { return wholeInWords(l) }

// Proved implements bench.Counsel.
func (pageWords) Proved(r imager.CheckResult) string {
	problems := r.Problems
	if r.Short {
		problems = append([]string{lengthened(r)}, problems...)
	}
	if len(problems) == 0 {
		return fmt.Sprintf("Proved: map and image agree; %s good sectors were compared.", sector.Thousands(r.Compared))
	}
	text := strings.Join(problems, ". ") + "."
	if !r.Rotten.Empty() {
		text += " They count as not asked yet again: read them anew."
	}
	return text
}

// Round implements bench.Counsel.
func (pageWords) Round(r imager.RoundStatus) string { return roundInShort(r) }

// Cautions implements bench.Counsel.
func (pageWords) Cautions(r mapfile.Round, st imager.Status) []string { return cautions(r, st) }

// Doubt implements bench.Counsel.
func (pageWords) Doubt(r mapfile.Round, st imager.Status) string { return doubtOf(r, st) }
