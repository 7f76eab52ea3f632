package mapfile

import (
	"errors"
	"testing"

	"turnstone/device/sector"
)

// How a case was ended comes back from the file, and takes nothing with it.
func TestClosingIsKept(t *testing.T) {
	m := newCase(t, 1000)
	if c := m.Closing(); c != (Closing{}) || c.Gone() {
		t.Errorf("Closing() of a new map = %+v; want an open case", c)
	}
	mustRecord(t, m, 0, sector.Span(0, 500), Delivered)
	path := mustCreate(t, m)
	for _, c := range []Closing{
		{State: Closed, At: day, By: "N. N.", KeepUntil: "2026-12-31"},
		{},
		{State: Closed, At: day.AddDate(0, 0, 1), KeepUntil: "2028-02-29"},
		{State: Discarding, At: day},
		{State: Discarded, At: day},
	} {
		if err := m.SetClosing(c); err != nil {
			t.Fatalf("SetClosing(%+v) = %v; want nil", c, err)
		}
		mustCommit(t, m, path)
		wantSound(t, path)
		again := mustOpen(t, path)
		wantSame(t, "map with its closing", content(again), content(m))
		got := again.Closing()
		if !got.At.Equal(c.At) {
			t.Errorf("Closing().At = %v; want %v", got.At, c.At)
		}
		if got.At = c.At; got != c || got.Gone() != (c.State == Discarding || c.State == Discarded) {
			t.Errorf("Closing() = %+v; want %+v", got, c)
		}
		if n := again.Count(Good); n != 500 {
			t.Errorf("Count(Good) = %d; want 500", n)
		}
	}
	// A file that is made of all the map has it too.
	if got := mustOpen(t, mustCreate(t, m)).Closing(); got.State != Discarded {
		t.Errorf("Closing() of a copy = %+v; want that of the map", got)
	}
}

// What is deleted does not come back by a record.
func TestClosingThatCantBe(t *testing.T) {
	for _, c := range []struct {
		was, now Closing
	}{
		{Closing{}, Closing{State: "shut"}},
		{Closing{}, Closing{State: Closed, KeepUntil: "2026-02-29"}},
		{Closing{}, Closing{State: Closed, KeepUntil: "31.12.2026"}},
		{Closing{State: Discarding}, Closing{}},
		{Closing{State: Discarding}, Closing{State: Closed}},
		{Closing{State: Discarded}, Closing{}},
		{Closing{State: Discarded}, Closing{State: Discarding}},
	} {
		m := newCase(t, 1000)
		if err := m.SetClosing(c.was); err != nil {
			t.Fatal(err)
		}
		if err := m.SetClosing(c.now); !errors.Is(err, ErrInvalid) || m.Closing() != c.was {
			t.Errorf("SetClosing(%+v) after %+v = %v, then %+v; want %v, no change", c.now, c.was, err, m.Closing(), ErrInvalid)
		}
	}
}
