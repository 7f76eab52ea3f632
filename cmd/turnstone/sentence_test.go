package main

import (
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

func TestThousands(t *testing.T) {
	for _, c := range []struct {
		n    int64
		want string
	}{
		{0, "0"}, {7, "7"}, {999, "999"}, {1000, "1,000"}, {12_345, "12,345"}, {999_999, "999,999"}, {1_000_000, "1,000,000"},
		{-1, "-1"}, {-999, "-999"}, {-1000, "-1,000"}, {-123_456, "-123,456"}, {9223372036854775807, "9,223,372,036,854,775,807"},
	} {
		got := sector.Thousands(c.n)
		if got != c.want {
			t.Errorf("sector.Thousands(%d) = %q; want %q", c.n, got, c.want)
		}
		if back := strings.ReplaceAll(got, ",", ""); back != fmt.Sprint(c.n) {
			t.Errorf("sector.Thousands(%d) without commas = %s; want the number", c.n, back)
		}
	}
}

func TestSize(t *testing.T) {
	for _, c := range []struct {
		sectors int64
		want    string
	}{
		{0, "0 kB"}, {1, "2 kB"}, {163, "334 kB"}, {488, "999 kB"}, {489, "1.0 MB"}, {199_837, "409.3 MB"},
		{488_280, "1.00 GB"}, {2_298_496, "4.71 GB"}, {60_000_000, "122.88 GB"},
	} {
		if got := size(c.sectors); got != c.want {
			t.Errorf("size(%d) = %q; want %q", c.sectors, got, c.want)
		}
	}
}

func TestSpeed(t *testing.T) {
	for _, c := range []struct {
		b    float64
		want string
	}{{0, "0 kB/s"}, {499, "0 kB/s"}, {500, "0 kB/s"}, {999_499, "999 kB/s"}, {999_600, "1.0 MB/s"}, {22_160_000, "22.2 MB/s"}} {
		if got := speed(c.b); got != c.want {
			t.Errorf("speed(%g) = %q; want %q", c.b, got, c.want)
		}
	}
}

// A share says 100 only where all is there, and 0 only where nothing is.
func TestShare(t *testing.T) {
	for _, c := range []struct {
		part, whole int64
		want        string
	}{
		{0, 0, "0 %"}, {0, 100, "0 %"}, {1, 2_298_496, "under 0.01 %"}, {1, 200, "0.50 %"}, {1, 100, "1.0 %"}, {1, 3, "33.3 %"},
		{99, 100, "99.0 %"}, {199_837, 200_000, "99.92 %"}, {2_298_495, 2_298_496, "over 99.99 %"}, {2_298_496, 2_298_496, "100 %"},
	} {
		if got := share(c.part, c.whole); got != c.want {
			t.Errorf("share(%d, %d) = %q; want %q", c.part, c.whole, got, c.want)
		}
	}
	for _, whole := range []int64{1, 7, 1000, 2_298_496} {
		for i := range int64(200) {
			for _, part := range []int64{min(i, whole), max(0, whole-i)} {
				got := share(part, whole)
				all := got == "100 %" || got == "100.0 %" || got == "100.00 %"
				if all != (part == whole) {
					t.Errorf("share(%d, %d) = %q; want 100 only where all is there", part, whole, got)
				}
				if nothing := got == "0 %" || got == "0.0 %" || got == "0.00 %"; nothing != (part == 0) {
					t.Errorf("share(%d, %d) = %q; want 0 only where nothing is there", part, whole, got)
				}
			}
		}
	}
}

func TestRoughly(t *testing.T) {
	for _, c := range []struct {
		d    time.Duration
		want string
	}{
		{0, "1 s"}, {400 * time.Millisecond, "1 s"}, {89 * time.Second, "89 s"}, {90 * time.Second, "2 min"}, {10 * time.Minute, "10 min"},
		{89 * time.Minute, "89 min"}, {90 * time.Minute, "2 h"}, {99 * time.Hour, "99 h"}, {100 * time.Hour, "days"}, {1e6 * time.Hour, "days"},
	} {
		if got := roughly(c.d); got != c.want {
			t.Errorf("roughly(%v) = %q; want %q", c.d, got, c.want)
		}
	}
}

func TestLasted(t *testing.T) {
	for _, c := range []struct {
		seconds float64
		want    string
	}{{0, "under 0.1 s"}, {0.099, "under 0.1 s"}, {0.84, "0.8 s"}, {42, "42 s"}, {119, "119 s"}, {600, "10 min"}, {7199, "120 min"}, {9000, "2.5 h"}} {
		if got := lasted(c.seconds); got != c.want {
			t.Errorf("lasted(%g) = %q; want %q", c.seconds, got, c.want)
		}
	}
}

// moments of an invented pass, a second apart; each brings bytes and asks for
// sectors.
func watched(seconds int, bytes, asked int64) (sentence, imager.Progress) {
	var s sentence
	p := imager.Progress{Time: time.Unix(1_000_000, 0), Round: 2, Missing: 103_104, Left: 100_000, Doing: "reading forward", At: sector.Span(31_400, 128)}
	for range seconds {
		p.Time = p.Time.Add(time.Second)
		p.Delivered += bytes
		p.Left -= asked
		s.watch(p)
	}
	return s, p
}

func TestSentence(t *testing.T) {
	fresh := func(change func(p *imager.Progress)) string {
		var s sentence
		_, p := watched(0, 0, 0)
		s.watch(p)
		change(&p)
		return s.of(p)
	}
	for _, c := range []struct {
		name, got, want string
	}{
		{"at first", fresh(func(p *imager.Progress) {}), "Round 2, sector 31,400, reading forward; 103,104 missing"},
		{"one failure", fresh(func(p *imager.Progress) { p.Failed = 1 }), "Round 2, sector 31,400, reading forward; 103,104 missing, 1 failed read"},
		{"failures", fresh(func(p *imager.Progress) { p.Failed = 1234 }),
			"Round 2, sector 31,400, reading forward; 103,104 missing, 1,234 failed reads"},
		{"a long try", fresh(func(p *imager.Progress) { p.Trying = 42 * time.Second }),
			"Round 2, trying sectors 31,400 to 31,527 for 42 s; 103,104 missing"},
		{"a long try of one", fresh(func(p *imager.Progress) { p.Trying = longTry; p.At = sector.Span(7, 1) }),
			"Round 2, trying sector 7 for 3 s; 103,104 missing"},
		{"a short try", fresh(func(p *imager.Progress) { p.Trying = longTry - 1 }), "Round 2, sector 31,400, reading forward; 103,104 missing"},
		{"nothing in hand", fresh(func(p *imager.Progress) { p.At = sector.Range{} }), "Round 2, the drive rests; 103,104 missing"},
		{"no reason given", fresh(func(p *imager.Progress) { p.Doing = "" }), "Round 2, sector 31,400; 103,104 missing"},
	} {
		if c.got != c.want {
			t.Errorf("%s: %q; want %q", c.name, c.got, c.want)
		}
	}
	s, p := watched(10, 9_800_000, 1000)
	if got, want := s.of(p), "Round 2, sector 31,400, reading forward at 9.8 MB/s; 103,104 missing; about 90 s left"; strings.Replace(got, "2 min", "90 s", 1) != want {
		t.Errorf("of() = %q; want %q", got, want)
	}
	p.Trying = time.Minute
	if got := s.of(p); strings.Contains(got, "MB/s") {
		t.Errorf("of(a long try) = %q; want no speed", got)
	}
}

// Pace and time left are those of the last half minute, not of the whole pass.
func TestSentenceForgets(t *testing.T) {
	s, p := watched(100, 10_000_000, 500)
	if bytes, left := s.rate(p); bytes != 10_000_000 || left != 100*time.Second {
		t.Errorf("rate() = %g, %v; want 10 MB/s, 100 s", bytes, left)
	}
	for range 60 { // around damage
		p.Time = p.Time.Add(time.Second)
		p.Delivered += 1_000_000
		p.Left -= 50
		s.watch(p)
	}
	if bytes, left := s.rate(p); bytes != 1_000_000 || left != 940*time.Second {
		t.Errorf("rate() = %g, %v; want 1 MB/s, 940 s", bytes, left)
	}
	if len(s.seen) > 64 {
		t.Errorf("%d moments kept; want those of half a minute", len(s.seen))
	}
}

// In few columns the sentence leaves out what is missed least, and says the most
// that fits.
func TestSentenceWithin(t *testing.T) {
	s, p := watched(10, 9_800_000, 1000)
	p.Failed = 12
	for _, c := range []struct {
		n    int
		want string
	}{
		{110, "Round 2, sector 31,400, reading forward at 9.8 MB/s; 103,104 missing, 12 failed reads; about 2 min left"},
		{90, "Round 2, sector 31,400 at 9.8 MB/s; 103,104 missing, 12 failed reads; about 2 min left"},
		{79, "Round 2, sector 31,400 at 9.8 MB/s; 103,104 missing; about 2 min left"},
		{60, "Round 2, sector 31,400; 103,104 missing; about 2 min left"},
		{50, "Round 2; 103,104 missing; about 2 min left"},
		{39, "Round 2, sector 31,400; 103,104 missing"},
		{20, "Round 2, sector…"},
		{3, "Rou"},
		{0, ""},
	} {
		if got := s.within(p, c.n); got != c.want {
			t.Errorf("within(%d) = %q; want %q", c.n, got, c.want)
		}
	}
	for n := range 130 {
		if got := s.within(p, n); utf8.RuneCountInString(got) > n {
			t.Errorf("within(%d) = %q, %d columns", n, got, utf8.RuneCountInString(got))
		}
	}
}

func TestFit(t *testing.T) {
	for _, c := range []struct {
		text string
		n    int
		want string
	}{
		{"", 0, ""}, {"abc", 3, "abc"}, {"abcd", 3, "abc"}, {"abcde", 4, "abc…"}, {"round and round", 12, "round and…"},
		{"äöüß äöüß", 6, "äöüß…"}, {"unbreakable", 8, "unbreak…"},
	} {
		if got := fit(c.text, c.n); got != c.want {
			t.Errorf("fit(%q, %d) = %q; want %q", c.text, c.n, got, c.want)
		}
	}
}

func TestFold(t *testing.T) {
	for _, c := range []struct {
		text string
		n    int
		want string
	}{
		{"", 10, ""},
		{"short\n", 10, "short\n"},
		{"one two three four\n", 10, "one two\nthree four\n"},
		{"  one two three\nfour\n", 9, "  one two\n  three\nfour\n"},
		{"unbreakableword and\n", 6, "unbreakableword\nand\n"},
		{"  turnstone round case \"polish fine, 90 s\"\n", 10, "  turnstone round case \"polish fine, 90 s\"\n"},
		{"äöü äöü äöü", 7, "äöü äöü\näöü"},
		{"exactly ten", 11, "exactly ten"},
		{"are missing (9.9 MB), 85.2 %; about 5 min", 16, "are missing\n(9.9 MB),\n85.2 %; about\n5 min"},
		{"round 1 brought mm and % alone", 8, "round 1\nbrought\nmm and %\nalone"},
	} {
		if got := fold(c.text, c.n); got != c.want {
			t.Errorf("fold(%q, %d) = %q; want %q", c.text, c.n, got, c.want)
		}
	}
	// Whatever the width, no word is lost, and only a word alone is too long.
	text := "Wet, not dry. Eyes, gloves, ventilation; dust and slurry are not to be breathed or swallowed.\n  By hand or on a machine made for it"
	for n := range 120 {
		got := fold(text, n)
		if a, b := strings.Fields(got), strings.Fields(text); strings.Join(a, " ") != strings.Join(b, " ") {
			t.Errorf("fold(%d) = %q; want the same words", n, got)
		}
		for line := range strings.SplitSeq(got, "\n") {
			if len(line) > n && strings.Contains(strings.TrimSpace(line), " ") {
				t.Errorf("fold(%d) leaves the line %q", n, line)
			}
		}
	}
}

func TestEventLine(t *testing.T) {
	at := time.Date(2026, 1, 2, 15, 4, 5, 0, time.Local)
	stall := mapfile.Event{Time: at, Kind: imager.KindStall, Range: sector.Span(150_000, 128), Took: 15 * time.Second, Text: "text"}
	if got, want := eventLine(stall), "15:04:05  the drive did not answer for 15 s: sectors 150,000 to 150,127"; got != want {
		t.Errorf("eventLine(a stall) = %q; want %q", got, want)
	}
	for _, c := range []struct {
		kind, want string
	}{
		{imager.KindFailedRead, ""}, {imager.KindEnded, ""},
		{imager.KindIdentity, "15:04:05  one good block read again: text"},
		{imager.KindStall, "15:04:05  the drive did not answer: text"}, // no telling where
		{imager.KindReopened, "15:04:05  text"},
		{"of a later version", "15:04:05  of a later version: text"},
	} {
		if got := eventLine(mapfile.Event{Time: at, Kind: c.kind, Text: "text"}); got != c.want {
			t.Errorf("eventLine(%s) = %q; want %q", c.kind, got, c.want)
		}
	}
}

// What is missing is told in parts that add up, each once.
func TestStanding(t *testing.T) {
	st := func(good, bad, untried, failedHere int64) imager.Status {
		return imager.Status{Disc: imager.DiscStatus{Sectors: 1000, Written: 1000}, Good: good, Bad: bad, Untried: untried,
			FailedHere: failedHere, OpenHere: bad + untried - failedHere}
	}
	for _, c := range []struct {
		name string
		st   imager.Status
		want string
	}{
		{"not recognised", imager.Status{}, "The disc was not recognised yet: nothing is known of its size.\n"},
		{"whole", st(1000, 0, 0, 0), "All 1,000 sectors are in the image (2.0 MB).\n"},
		{"never read", st(0, 0, 1000, 0), "0 of 1,000 sectors are in the image (0 kB, 0 %); 1,000 are missing (2.0 MB).\n  1,000 missing, not asked yet\n"},
		{"all failed here", st(990, 10, 0, 10), "990 of 1,000 sectors are in the image (2.0 MB, 99.0 %); 10 are missing (20 kB).\n  10 missing, failed on this surface\n"},
		{"treated", st(990, 10, 0, 0), "990 of 1,000 sectors are in the image (2.0 MB, 99.0 %); 10 are missing (20 kB).\n  10 missing, not asked since the last treatment\n"},
		{"all kinds", st(900, 70, 30, 20), "900 of 1,000 sectors are in the image (1.8 MB, 90.0 %); 100 are missing (205 kB).\n" +
			"  20 missing, failed on this surface\n  50 missing, not asked since the last treatment\n  30 missing, not asked yet\n"},
	} {
		if got := standing(c.st); got != c.want {
			t.Errorf("%s: %q; want %q", c.name, got, c.want)
		}
	}
}
