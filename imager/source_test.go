package imager

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// newFolder makes a case of a small disc in a folder of its own.
func newFolder(t *testing.T, id string) (dir string, c *Case) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), id)
	c, err := Create(dir, Writer{Command: "turnstone of " + id, CaseID: id, Now: time.Now},
		mapfile.Disc{Kind: "unknown", Sectors: 64, BlockSectors: 16, Written: sector.Of(span(0, 64))})
	if err != nil {
		t.Fatal(err)
	}
	return dir, c
}

// What is no case, and an image of other sectors, is said to be so.
func TestSourceThatIsNone(t *testing.T) {
	file := filepath.Join(t.TempDir(), "disc.iso")
	if err := os.WriteFile(file, make([]byte, 3*2352), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenSource(file, ""); !errors.Is(err, ErrNoCase) || !strings.Contains(err.Error(), "a file") {
		t.Errorf("OpenSource(a file) = %v; want ErrNoCase, a file", err)
	}
	if _, err := Load(file); !errors.Is(err, ErrNoCase) {
		t.Errorf("Load(a file) = %v; want ErrNoCase", err)
	}
	if _, err := OpenImageSource(file, sector.Of(span(0, 1))); err == nil || !strings.Contains(err.Error(), "2352") {
		t.Errorf("OpenImageSource(raw CD sectors) = %v; want it refused", err)
	}
}

// While a source is open nobody writes into it, others may read it too; one that
// somebody writes into is not opened, and he is named.
func TestSourceIsHeld(t *testing.T) {
	dir, c := newFolder(t, "held")
	var inUse *InUseError
	if _, err := OpenSource(dir, ""); !errors.As(err, &inUse) || inUse.PID != os.Getpid() || inUse.Command != "turnstone of held" {
		t.Errorf("OpenSource(case in use) = %v; want an *InUseError that names this process", err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	one, err := OpenSource(dir, "")
	if err != nil {
		t.Fatal(err)
	}
	two, err := OpenSource(dir, "")
	if err != nil {
		t.Fatalf("OpenSource(case that is a source already) = %v; want nil", err)
	}
	if _, err := Open(dir, Writer{Now: time.Now}); !errors.Is(err, ErrInUse) {
		t.Errorf("Open(source of a merge) = %v; want ErrInUse", err)
	}
	for _, s := range []*Source{one, two} {
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	c, err = Open(dir, Writer{Now: time.Now})
	if err != nil {
		t.Fatalf("Open(after the sources were closed) = %v; want nil", err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
}

// What is no source: the case itself by any name, no case, and what is no file. A
// case whose lock did not come along with a copy is one.
func TestOpenSource(t *testing.T) {
	dir, c := newFolder(t, "plain")
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(dir, link); err != nil {
		t.Fatal(err)
	}
	var refused *RefusedError
	if _, err := OpenSource(link, dir); !errors.As(err, &refused) || !errors.Is(err, ErrSameCase) {
		t.Errorf("OpenSource(the case by another name) = %v; want ErrSameCase", err)
	}
	if _, err := OpenSource(t.TempDir(), dir); !errors.Is(err, ErrNoCase) {
		t.Errorf("OpenSource(empty folder) = %v; want ErrNoCase", err)
	}
	if _, err := OpenImageSource(dir, sector.Set{}); err == nil {
		t.Error("OpenImageSource(folder) = nil; want an error")
	}
	image := filepath.Join(dir, imageName)
	if _, err := OpenImageSource(image, sector.Of(span(60, 5))); !errors.Is(err, ErrRange) {
		t.Errorf("OpenImageSource(beyond its end) = %v; want ErrRange", err)
	}
	if err := os.Remove(filepath.Join(dir, lockName)); err != nil {
		t.Fatal(err)
	}
	s, err := OpenSource(dir, "")
	if err != nil {
		t.Fatalf("OpenSource(without a lock file) = %v; want nil", err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(dir, lockName)); err == nil {
		t.Error("OpenSource made a file in its source")
	}
}
