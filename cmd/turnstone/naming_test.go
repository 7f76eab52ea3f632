package main

import (
	"crypto/rand"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// discFile is an image file of so many sectors of chance bytes.
func discFile(t testing.TB, sectors int64) string {
	t.Helper()
	data := make([]byte, sectors*2048)
	rand.Read(data)
	path := filepath.Join(t.TempDir(), "disc.iso")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// A drive need not be named where only one is there, or only one has a disc.
func TestOnlyDrive(t *testing.T) {
	for _, c := range []struct {
		drives, loaded string
		want           string
		code           int
	}{
		{"", "", "", exitFailed},
		{"sr0", "", "sr0", exitDone}, // what it lacks is told when it is opened
		{"sr0 sr1", "sr1", "sr1", exitDone},
		{"sr0 sr1 sr2", "sr0 sr2", "", exitUsage},
		{"sr0 sr1", "", "", exitDrive},
	} {
		loaded := strings.Fields(c.loaded)
		got, err := only(strings.Fields(c.drives), func(n string) bool { return slices.Contains(loaded, n) })
		code := exitDone
		if err != nil {
			code = codeOf(err)
		}
		if got != c.want || code != c.code {
			t.Errorf("only(%s; %s loaded) = %q, %v (code %d); want %q, code %d", c.drives, c.loaded, got, err, code, c.want, c.code)
		}
	}
}

// Before a case is made, it is known that the sectors are on the disc.
func TestOnlyBeyondTheDiscMakesNoCase(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "case")
	turnstone(t, "read", dir, "--drive", discFile(t, 64), "--only", "60-64").is(exitUsage, "outside the disc")
	if _, err := os.Stat(dir); !os.IsNotExist(err) {
		t.Errorf("Stat(case) = %v; want that none was made", err)
	}
}

// An empty list of sectors is not the same as no restriction.
func TestEmptyListOfSectors(t *testing.T) {
	t.Parallel()
	list := filepath.Join(t.TempDir(), "list")
	if err := os.WriteFile(list, []byte("\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "case")
	turnstone(t, "read", dir, "--drive", discFile(t, 64), "--only", "@"+list).is(exitUsage, "names no sectors")
}

// A file of the case is not read into it.
func TestOwnFilesAreRefused(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "case")
	turnstone(t, "read", dir, "--drive", discFile(t, 1024)).is(exitDone)
	for _, name := range []string{"image.iso", "map.db"} {
		turnstone(t, "read", dir, "--drive", filepath.Join(dir, name)).is(exitUsage, "a file of this case itself")
	}
}

// A plain device does not know the kind of its disc; the case does, once told.
func TestKindIsRemembered(t *testing.T) {
	t.Parallel()
	dir, disc := filepath.Join(t.TempDir(), "case"), discFile(t, 256)
	turnstone(t, "read", dir, "--drive", disc, "--only", "0-31").is(exitMissing)
	turnstone(t, "read", dir, "--drive", disc, "--only", "32-63", "--kind", "bd").is(exitMissing)
	turnstone(t, "read", dir, "--drive", disc).is(exitDone)
	if d := statusOf(t, dir).Disc; d.Kind != "bd" || d.BlockSectors != 32 {
		t.Errorf("disc = %+v; want a bd in blocks of 32", d)
	}
	turnstone(t, "read", dir, "--drive", disc, "--kind", "cd").is(exitDrive, "another disc")
}
