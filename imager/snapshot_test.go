package imager

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"turnstone/mapfile"
)

// Whoever lets go of a case leaves its status.json right, and rests where it is.
func TestLeaveStatus(t *testing.T) {
	c := made(t, 32)
	path := filepath.Join(c.Dir, statusName)
	reopened := func() *Case {
		t.Helper()
		c, err := Open(c.Dir, Writer{Now: clock})
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	closed := func(c *Case) {
		t.Helper()
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
	}
	says := func(what, want string) fs.FileInfo {
		t.Helper()
		if got, err := os.ReadFile(path); err != nil || string(got) != want {
			t.Fatalf("%s: status.json is %s, %v; want %s", what, got, err, want)
		}
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		return info
	}
	closed(c)
	first := says("a new case", string(statusDoc(c.Dir, mustLoad(t, c.Dir))))
	closed(reopened())
	if again := says("once more", string(statusDoc(c.Dir, mustLoad(t, c.Dir)))); !os.SameFile(first, again) {
		t.Error("a status.json that was right has been written anew")
	}

	// What changed beside the image alone.
	if err := os.WriteFile(filepath.Join(c.Dir, formTwoIndex), []byte(`{"sectors":[[50,10]],"good":[[50,4]]}`), 0o600); err != nil {
		t.Fatal(err)
	}
	closed(reopened())
	right := string(statusDoc(c.Dir, mustLoad(t, c.Dir)))
	says("sectors of form 2", right)

	// What could not be committed is not told.
	k := reopened()
	k.m.AddRound(mapfile.Round{})
	closed(k)
	says("a round that was not committed", right)

	// A copy that is over and can't be written anew is taken away.
	k = reopened()
	k.m.AddRound(mapfile.Round{})
	if err := k.commit(); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(path+".new", 0o700); err != nil { // in the way of the new one
		t.Fatal(err)
	}
	closed(k)
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("status.json that can't be written: %v; want it taken away", err)
	}
}
