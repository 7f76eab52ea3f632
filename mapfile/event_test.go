package mapfile

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
)

// failed is a failed read of n sectors from first on, a second long.
func failed(first sector.LBA, n int64, text string) Event {
	return Event{Time: day, Pass: 0, Kind: FailedRead, Range: sector.Span(first, n), Took: time.Second, Text: text}
}

func TestEventsFold(t *testing.T) {
	m := newCase(t, 1000)
	path := mustCreate(t, m)
	other := failed(64, 16, "a")
	other.Pass = -1
	for _, e := range []Event{
		failed(16, 16, "a"), failed(32, 16, "a"), failed(0, 16, "a"), // forward, then back: one
		failed(48, 16, "b"),                      // another text
		failed(64, 16, "a"), failed(96, 16, "a"), // a gap
		other, failed(80, 16, "a"), // another pass between
		{Time: day, Kind: "stall", Range: sector.Span(96, 16)}, {Time: day, Kind: "stall", Range: sector.Span(112, 16)},
	} {
		m.AddEvent(e)
	}
	mustCommit(t, m, path)
	m.AddEvent(failed(96, 16, "a"))
	mustCommit(t, m, path)
	want := []string{
		"0+48 3 3s a", "48+16 0 1s b", "64+16 0 1s a", "96+16 0 1s a", "64+16 0 1s a", "80+16 0 1s a", "96+16 0 0s ", "112+16 0 0s ",
		"96+16 0 1s a",
	}
	var got []string
	for _, e := range events(t, path) {
		if !e.Time.Equal(day) {
			t.Errorf("event at %v; want %v", e.Time, day)
		}
		got = append(got, fmt.Sprint(e.Range, e.Count, " ", e.Took, " ", e.Text))
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("events\n%q; want\n%q", got, want)
	}
}

// TestEventBlocks has more events than a block holds, in commits of all sizes.
func TestEventBlocks(t *testing.T) {
	m := newCase(t, 1000)
	path := mustCreate(t, m)
	n := 0
	for _, batch := range []int{1, 1, 2000, 0, 3, 700, 1} {
		for range batch {
			m.AddEvent(Event{Time: day, Pass: n, Kind: "reopen", Text: "medium error 3/11/05: unrecovered read error"})
			n++
		}
		if batch == 0 {
			m = mustOpen(t, path)
		}
		mustCommit(t, m, path)
	}
	got := events(t, path)
	if len(got) != n {
		t.Fatalf("%d events; want %d", len(got), n)
	}
	for i, e := range got {
		if e.Pass != i {
			t.Fatalf("event %d is the one of number %d", i, e.Pass)
		}
	}
	seen := 0
	if err := Events(path, func(Event) bool { seen++; return seen < 5 }); err != nil || seen != 5 {
		t.Errorf("Events stopped after %d, %v; want 5", seen, err)
	}
	if mb := sizeOf(t, path); mb > 1.2 {
		t.Errorf("file of %.1f MB for %d events; want about 1", mb, n)
	}
}

// TestOddEvents keeps what can be kept of events that can't be right.
func TestOddEvents(t *testing.T) {
	m := newCase(t, 1000)
	path := mustCreate(t, m)
	m.AddEvent(Event{Time: day, Kind: strings.Repeat("é\x00", 9000), Text: "\xff" + strings.Repeat("€", 9000), Range: sector.Range{First: -5, End: 9}})
	m.AddEvent(Event{Kind: FailedRead, Range: sector.Range{First: 9, End: 5}})
	m.AddEvent(Event{Kind: FailedRead, Range: sector.Range{First: 1 << 60, End: 1<<60 + 1}})
	mustCommit(t, m, path)
	got := events(t, path)
	if len(got) != 3 {
		t.Fatalf("%d events; want 3", len(got))
	}
	for i, e := range got {
		if !e.Range.Empty() {
			t.Errorf("event %d has range %v; want none", i, e.Range)
		}
	}
	if len(got[0].Text) < 4000 || len(got[0].Text) > maxText+8 || !strings.HasSuffix(got[0].Text, "€") {
		t.Errorf("text of %d bytes, ending in %q; want about %d, ending in €", len(got[0].Text), got[0].Text[len(got[0].Text)-3:], maxText)
	}
}
