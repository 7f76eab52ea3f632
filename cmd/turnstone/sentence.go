package main

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// sentence tells where a pass stands in one sentence. It remembers a little, for
// rate and time left.
type sentence struct {
	seen []moment // of the last half minute, oldest first
}

type moment struct {
	at        time.Time
	delivered int64 // bytes
	left      int64 // sectors still to be asked for
	failed    int64
}

// window is how far back rate and time left look: long enough to smooth over a
// scratch, short enough to follow the drive.
const window = 30 * time.Second

// watch takes a progress in; moments closer than half a second are passed over.
func (s *sentence) watch(p imager.Progress) {
	if n := len(s.seen); n > 0 && p.Time.Sub(s.seen[n-1].at) < 500*time.Millisecond {
		return
	}
	s.seen = append(s.seen, moment{p.Time, p.Delivered, p.Left, p.Failed})
	for len(s.seen) > 2 && p.Time.Sub(s.seen[0].at) > window {
		s.seen = s.seen[1:]
	}
}

// longTry is how long a request may take before the sentence speaks of it alone.
const longTry = 3 * time.Second

// of is the sentence.
func (s *sentence) of(p imager.Progress) string { return s.within(p, math.MaxInt) }

// within is the sentence in at most n columns: what is missed least is left out
// first, and what is still too long is cut.
func (s *sentence) within(p imager.Progress, n int) string {
	for _, without := range []part{0, doing, doing | failed, doing | failed | pace, doing | failed | pace | place} {
		if text := s.without(p, without); utf8.RuneCountInString(text) <= n {
			return text
		}
	}
	return fit(s.without(p, doing|failed|pace|left), n)
}

// part is a part of the sentence that can be left out.
type part uint8

const (
	doing  part = 1 << iota // why the reading is where it is
	failed                  // how many reads failed
	pace                    // what came lately, a second
	place                   // the sector
	left                    // how long it will take
)

// without is the sentence without some of its parts.
func (s *sentence) without(p imager.Progress, w part) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Round %d", p.Round)
	rate, leftFor := s.rate(p)
	trying := p.Trying >= longTry && !p.At.Empty()
	first := sector.Thousands(int64(p.At.First))
	switch {
	case p.Reviving != "":
		fmt.Fprintf(&b, ", the drive gives no answer: %s for %d s", p.Reviving, int(p.Trying.Seconds()))
	case trying && p.At.Count() == 1:
		fmt.Fprintf(&b, ", trying sector %s for %d s", first, int(p.Trying.Seconds()))
	case trying:
		fmt.Fprintf(&b, ", trying sectors %s to %s for %d s", first, sector.Thousands(int64(p.At.End)-1), int(p.Trying.Seconds()))
	case p.At.Empty():
		b.WriteString(", the drive rests")
	case w&place == 0 && w&doing == 0 && p.Doing != "":
		fmt.Fprintf(&b, ", sector %s, %s", first, p.Doing)
	case w&place == 0:
		fmt.Fprintf(&b, ", sector %s", first)
	}
	if rate > 0 && w&pace == 0 && !trying && p.Reviving == "" {
		fmt.Fprintf(&b, " at %s", speed(rate))
	}
	fmt.Fprintf(&b, "; %s missing", sector.Thousands(p.Missing))
	if p.Choosy {
		fmt.Fprintf(&b, ", %s of them in wanted files", sector.Thousands(p.Wanted))
	}
	switch {
	case p.Failed == 0 || w&failed != 0:
	case p.Failed == 1:
		b.WriteString(", 1 failed read")
	default:
		fmt.Fprintf(&b, ", %s failed reads", sector.Thousands(p.Failed))
	}
	if leftFor > 0 && w&left == 0 {
		fmt.Fprintf(&b, "; about %s left", roughly(leftFor))
	}
	return b.String()
}

// rate is what came lately, in bytes a second, and how long the rest takes at
// the pace at which this pass asked lately; 0 where it is not known.
func (s *sentence) rate(p imager.Progress) (bytes float64, left time.Duration) {
	if len(s.seen) == 0 {
		return 0, 0
	}
	from := s.seen[0]
	took := p.Time.Sub(from.at).Seconds()
	if took < 1 {
		return 0, 0
	}
	bytes = float64(p.Delivered-from.delivered) / took
	if asked := float64(from.left - p.Left); asked > 0 {
		left = time.Duration(float64(p.Left) / asked * took * float64(time.Second))
	}
	return bytes, left
}

// roughly gives a time as precisely as a guess of it deserves.
func roughly(d time.Duration) string {
	switch {
	case d < 90*time.Second:
		return fmt.Sprintf("%d s", max(1, int(d.Seconds())))
	case d < 90*time.Minute:
		return fmt.Sprintf("%d min", int(d.Minutes()+0.5))
	case d < 100*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()+0.5))
	}
	return "days"
}

// speed gives bytes a second in the unit that fits.
func speed(b float64) string {
	if b < 999.5e3 {
		return fmt.Sprintf("%.0f kB/s", b/1e3)
	}
	return fmt.Sprintf("%.1f MB/s", b/1e6)
}

// eventLine is an event as a line for people; "" for those that come too often
// to be told singly.
func eventLine(e mapfile.Event) string {
	switch e.Kind {
	case imager.KindFailedRead, imager.KindEnded, imager.KindBroken, imager.KindRepaired: // the end of the command says it
		return ""
	case imager.KindReopened, imager.KindStep, imager.KindRestored, imager.KindCapped, imager.KindRound: // its text says all of it
		return clock(e) + e.Text
	case imager.KindStall:
		if !e.Range.Empty() {
			return fmt.Sprintf("%sthe drive did not answer for %s: %s", clock(e), lasted(e.Took.Seconds()), fromTo(e.Range))
		}
	}
	what := map[string]string{
		imager.KindStall: "the drive did not answer", imager.KindGone: "the drive is gone", imager.KindIdentity: "one good block read again",
		imager.KindDropped: "not counted", imager.KindConflict: "conflict", imager.KindPutOff: "checkpoint put off",
		imager.KindLost: "not as it came", imager.KindWanted: "wanted", imager.KindReadAgain: "read again", imager.KindHabit: "the drive", imager.KindForm: "form 2", imager.KindSettled: "settled",
	}[e.Kind]
	if what == "" {
		what = e.Kind
	}
	return clock(e) + what + ": " + e.Text
}

// fromTo names sectors from the first to the last.
func fromTo(r sector.Range) string {
	return fmt.Sprintf("sectors %s to %s", sector.Thousands(int64(r.First)), sector.Thousands(int64(r.End)-1))
}

// clock is when an event happened, in front of its line.
func clock(e mapfile.Event) string { return e.Time.Format("15:04:05") + "  " }

// standing says where a case stands, in a few lines.
func standing(st imager.Status) string {
	var b strings.Builder
	good, all := st.Wants()
	what := "sectors"
	if st.Wanted != nil {
		what = "sectors of the wanted files"
	}
	are, is := "are", "is"
	if st.Closing != nil && st.Closing.Gone() {
		are, is = "were", "was"
	}
	switch missing := st.Missing(); {
	case st.Disc.Sectors == 0:
		b.WriteString("The disc was not recognised yet: nothing is known of its size.\n")
	case all == 0 && st.FormTwo != nil && st.FormTwo.Wanted != nil: // a film beside the image alone
	case missing == 0 && good == 1:
		fmt.Fprintf(&b, "The one %s %s in the image (%s).\n", strings.Replace(what, "sectors", "sector", 1), is, size(good))
	case missing == 0:
		fmt.Fprintf(&b, "All %s %s %s in the image (%s).\n", sector.Thousands(good), what, are, size(good))
	default:
		fmt.Fprintf(&b, "%s of %s %s %s in the image (%s, %s); %s %s missing (%s).\n",
			sector.Thousands(good), sector.Thousands(all), what, are, size(good), share(good, all),
			sector.Thousands(missing), be(missing), size(missing))
		rest := st.Missing() - st.FailedHere - notAskedYet(st)
		for _, p := range []struct {
			n    int64
			what string
		}{
			{st.FailedHere, "failed on this surface"},
			{rest, "not asked since the last treatment"},
			{notAskedYet(st), "not asked yet"},
		} {
			if p.n > 0 {
				fmt.Fprintf(&b, "  %s missing, %s\n", sector.Thousands(p.n), p.what)
			}
		}
	}
	b.WriteString(repairsStand(st))
	b.WriteString(formTwoStands(st))
	if w := st.Wanted; w != nil && w.NotAskedFor > 0 {
		fmt.Fprintf(&b, "Of the rest of the disc %s %s missing, not asked for.\n", sectors(w.NotAskedFor), be(w.NotAskedFor))
	}
	if st.Conflicts > 0 {
		fmt.Fprintf(&b, "%s %s in conflict: two sources differ; the first was kept.\n", sectors(st.Conflicts), be(st.Conflicts))
	}
	return b.String()
}

// notAskedYet is how many missing sectors no pass of any round has asked for.
func notAskedYet(st imager.Status) int64 {
	if st.Wanted != nil {
		return min(st.Wanted.Untried, st.OpenHere)
	}
	return min(st.Untried, st.OpenHere)
}

// size is a number of sectors as an amount of data.
func size(sectors int64) string {
	b := float64(sectors) * sector.Size
	switch {
	case b < 999.5e3:
		return fmt.Sprintf("%.0f kB", b/1e3)
	case b < 999.95e6:
		return fmt.Sprintf("%.1f MB", b/1e6)
	}
	return fmt.Sprintf("%.2f GB", b/1e9)
}

// share is a part in per cent that is 100 only where nothing is missing, and 0
// only where nothing is there.
func share(part, whole int64) string {
	if part == 0 {
		return "0 %"
	}
	p := float64(part) / float64(whole) * 100
	switch {
	case part == whole:
		return "100 %"
	case p > 99.99:
		return "over 99.99 %"
	case part > 0 && p < 0.01:
		return "under 0.01 %"
	case p > 99 || p < 1:
		return fmt.Sprintf("%.2f %%", p)
	}
	return fmt.Sprintf("%.1f %%", p)
}
