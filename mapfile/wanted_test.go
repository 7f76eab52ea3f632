package mapfile

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.etcd.io/bbolt"

	"turnstone/device/sector"
)

// What is wanted comes back from the file, through changes and until it is taken back.
func TestWantedIsKept(t *testing.T) {
	m := newCase(t, 1000)
	if w := m.Wanted(); len(w.Names) != 0 || !w.Sectors.Empty() || w.Open {
		t.Errorf("Wanted() of a new map = %+v; want everything", w)
	}
	path := mustCreate(t, m)
	for _, w := range []Wanted{
		{Names: []string{"films/a.vob"}, Sectors: sector.Of(sector.Span(16, 4), sector.Span(900, 100)), Open: true},
		{Names: []string{"*.jpg", "Größe – 日本語.txt"}, Sectors: sector.Of(sector.Span(0, 1))},
		{Names: []string{"AVSEQ01.DAT"}, Beside: sector.Of(sector.Span(300, 40))},
		{Names: []string{"nothing is known of it yet"}, Open: true},
		{},
	} {
		if err := m.SetWanted(w); err != nil {
			t.Fatalf("SetWanted(%v) = %v; want nil", w, err)
		}
		mustCommit(t, m, path)
		wantSound(t, path)
		again := mustOpen(t, path)
		wantSame(t, "map with a wish", content(again), content(m))
		if got := again.Wanted(); strings.Join(got.Names, "|") != strings.Join(w.Names, "|") || !got.Sectors.Equal(&w.Sectors) ||
			!got.Beside.Equal(&w.Beside) || got.Open != w.Open {
			t.Errorf("Wanted() = %+v; want %+v", got, w)
		}
	}
	// What a caller does with its copy is its own.
	mine := Wanted{Names: []string{"a"}, Sectors: sector.Of(sector.Span(1, 1))}
	if err := m.SetWanted(mine); err != nil {
		t.Fatal(err)
	}
	mine.Names[0] = "b"
	mine.Sectors.Add(sector.Span(5, 5))
	if got := m.Wanted(); got.Names[0] != "a" || got.Sectors.Count() != 1 {
		t.Errorf("Wanted() = %+v; want what was set", got)
	}
	// Without names everything is wanted, whatever else is said.
	if err := m.SetWanted(Wanted{Sectors: sector.Of(sector.Span(1, 1)), Open: true}); err != nil {
		t.Fatal(err)
	}
	if got := m.Wanted(); !got.Sectors.Empty() || got.Open {
		t.Errorf("Wanted() without names = %+v; want everything", got)
	}
}

func TestWantedThatCantBe(t *testing.T) {
	m := newCase(t, 1000)
	for _, c := range []struct {
		name string
		w    Wanted
		want error
	}{
		{"beyond the disc", Wanted{Names: []string{"a"}, Sectors: sector.Of(sector.Span(999, 2))}, ErrOutside},
		{"beyond the disc, beside the image", Wanted{Names: []string{"a"}, Beside: sector.Of(sector.Span(999, 2))}, ErrOutside},
		{"an empty name", Wanted{Names: []string{"a", ""}}, ErrInvalid},
		{"no UTF-8", Wanted{Names: []string{"\xff"}}, ErrInvalid},
		{"a long name", Wanted{Names: []string{strings.Repeat("a", maxNameText+1)}}, ErrInvalid},
		{"many names", Wanted{Names: make([]string, maxNames+1)}, ErrInvalid},
	} {
		if err := m.SetWanted(c.w); !errors.Is(err, c.want) {
			t.Errorf("%s: SetWanted() = %v; want %v", c.name, err, c.want)
		}
	}
	if w := m.Wanted(); len(w.Names) != 0 {
		t.Errorf("Wanted() = %+v after what was refused; want everything", w)
	}
}

// A map of the form before is of this one once it is written to.
func TestOlderFormIsTakenOn(t *testing.T) {
	m := newCase(t, 1000)
	path := filepath.Join(t.TempDir(), "map.db")
	h := head{Major: major, Minor: 0}
	if _, err := m.write(path, os.O_RDWR|os.O_CREATE, everything(m), func(*bbolt.Tx) error { return nil }, &h); err != nil {
		t.Fatal(err)
	}
	old := mustOpen(t, path)
	if err := old.SetWanted(Wanted{Names: []string{"a"}}); err != nil {
		t.Fatal(err)
	}
	mustCommit(t, old, path)
	wantSound(t, path)
	if got := mustOpen(t, path); got.file.head.Minor != minor || len(got.Wanted().Names) != 1 {
		t.Errorf("form 1.%d with the wish %v; want 1.%d with one name", got.file.head.Minor, got.Wanted().Names, minor)
	}
	// A wish whose sectors are not on the disc is damage.
	for _, r := range []wantedRecord{{Sectors: [][2]int64{{990, 11}}}, {Sectors: [][2]int64{{5, 5}, {10, 1}}}, {Sectors: [][2]int64{{-1, 1}}}} {
		if w, err := r.wanted(1000); err == nil {
			t.Errorf("wanted(%v) = %v, nil; want an error", r, w)
		}
	}
}
