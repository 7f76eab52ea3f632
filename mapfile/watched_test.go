package mapfile

import (
	"errors"
	"strings"
	"testing"
	"time"
)

// That somebody has watched comes back from the file; the last time counts.
func TestWatchedIsKept(t *testing.T) {
	m := newCase(t, 1000)
	if w := m.Watched(); w != nil {
		t.Errorf("Watched() of a new map = %+v; want nil", w)
	}
	path := mustCreate(t, m)
	at := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	for _, w := range []Watched{{At: at, Yes: true, By: "Kim", Good: 12}, {At: at.Add(time.Hour), Good: 900}} {
		if err := m.SetWatched(w); err != nil {
			t.Fatalf("SetWatched(%+v) = %v; want nil", w, err)
		}
		mustCommit(t, m, path)
		wantSound(t, path)
		if got := mustOpen(t, path).Watched(); got == nil || !got.At.Equal(w.At) || got.Yes != w.Yes || got.By != w.By || got.Good != w.Good {
			t.Errorf("Watched() = %+v; want %+v", got, w)
		}
	}
	// A map that is made anew from one in memory has it too.
	if got := mustOpen(t, mustCreate(t, m)).Watched(); got == nil || got.Good != 900 {
		t.Errorf("Watched() of a map made anew = %+v; want the last", got)
	}
	for _, w := range []Watched{{By: "\xff"}, {By: strings.Repeat("a", maxNameText+1)}, {Good: -1}} {
		if err := m.SetWatched(w); !errors.Is(err, ErrInvalid) {
			t.Errorf("SetWatched(%.20q, %d) = %v; want ErrInvalid", w.By, w.Good, err)
		}
	}
}
