package mapfile

import (
	"path/filepath"
	"testing"
	"time"
)

// A map is unsaved from a change to the commit that takes it, also to one that fails; an
// event is no change of what it says.
func TestUnsaved(t *testing.T) {
	path := filepath.Join(t.TempDir(), "map.db")
	m := New("case")
	if err := Create(path, m); err != nil {
		t.Fatal(err)
	}
	check := func(after string, want bool) {
		t.Helper()
		if got := m.Unsaved(); got != want {
			t.Errorf("Unsaved() after %s = %v; want %v", after, got, want)
		}
	}
	check("Create", false)
	m.AddEvent(Event{Time: time.Unix(1, 0), Pass: -1, Kind: "kind"})
	check("an event", false)
	m.AddRound(Round{})
	check("a round", true)
	if err := m.Commit(filepath.Join(t.TempDir(), "nowhere", "map.db")); err == nil {
		t.Fatal("Commit into no file = nil; want an error")
	}
	check("a commit that failed", true)
	if err := m.Commit(path); err != nil {
		t.Fatal(err)
	}
	check("Commit", false)
}
