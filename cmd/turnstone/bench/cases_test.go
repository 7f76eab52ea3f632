package bench

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/imager"
	"turnstone/mapfile"
)

// makeCase makes a case of a disc of which nothing is known.
func makeCase(t testing.TB, dir string) {
	t.Helper()
	c, err := imager.Create(dir, imager.Writer{Command: "test", CaseID: dir, Now: time.Now}, mapfile.Disc{Kind: "unknown", BlockSectors: 16})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
}

// What a job is called tells no name.
func TestJobsHaveNumbers(t *testing.T) {
	for _, c := range []struct{ name, want string }{
		{"job-12", "Job 12"}, {"0007", "Job 0007"}, {"Case 3", "Job 3"}, {"2026-041", "Job 2026-041"}, {"No. 5", "Job 5"},
	} {
		if got := jobOf("/x/" + c.name); got != c.want {
			t.Errorf("jobOf(%q) = %q; want %q", c.name, got, c.want)
		}
	}
	for _, name := range []string{"anna-wedding", "anna 12", "12 anna", "job-12-anna"} {
		got := jobOf("/x/" + name)
		if strings.Contains(got, "anna") || len(got) != len("Job ABCD") {
			t.Errorf("jobOf(%q) = %q; want letters that tell no name", name, got)
		}
	}
}

// The shelf has the cases that were named and those in folders that were named, and
// nothing that lies elsewhere.
func TestShelf(t *testing.T) {
	top := t.TempDir()
	jobs, lone, outside := filepath.Join(top, "jobs"), filepath.Join(top, "lone"), filepath.Join(top, "outside")
	if err := os.Mkdir(jobs, 0o700); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{filepath.Join(jobs, "job-3"), filepath.Join(jobs, "anna"), lone, outside} {
		makeCase(t, dir)
	}
	if err := os.Symlink(outside, filepath.Join(jobs, "job-9")); err != nil {
		t.Fatal(err)
	}
	s, err := newShelf([]string{lone, jobs})
	if err != nil {
		t.Fatal(err)
	}
	all := s.look()
	if len(all) != 3 || s.made != jobs || s.next() != "job-10" {
		t.Errorf("the shelf has %d cases, makes %q in %s; want 3, job-10 in %s", len(all), s.next(), s.made, jobs)
	}
	for _, c := range all {
		if c.dir == outside || strings.Contains(c.id, "anna") || s.of(c.id) != c {
			t.Errorf("of(%s) = %v in %s; want a case that was named", c.id, s.of(c.id), c.dir)
		}
	}
	makeCase(t, filepath.Join(jobs, "job-4")) // by another program, meanwhile
	if err := os.RemoveAll(filepath.Join(jobs, "job-3")); err != nil {
		t.Fatal(err)
	}
	if got := s.look(); len(got) != 3 || s.of(idOf(filepath.Join(jobs, "job-4"))) == nil || s.of(idOf(filepath.Join(jobs, "job-3"))) != nil {
		t.Errorf("the shelf has %d cases; want the new one and not the one that is gone", len(got))
	}
	if _, err := newShelf([]string{filepath.Join(top, "nowhere")}); !errors.Is(err, ErrNothing) {
		t.Errorf("newShelf(nowhere) = %v; want ErrNothing", err)
	}
}

// A new case lies in the folder of the cases, whatever it is called.
func TestNewCasesStayInTheirFolder(t *testing.T) {
	jobs := t.TempDir()
	s, err := newShelf([]string{jobs})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"", "job-1", "Anna's", "Zoë 2.0", "a", strings.Repeat("ё", longestName)} {
		dir, err := s.fresh(name)
		if name == "Anna's" {
			if err == nil {
				t.Errorf("fresh(%q) = %s; want an error", name, dir)
			}
			continue
		}
		if err != nil || filepath.Dir(dir) != jobs {
			t.Errorf("fresh(%q) = %s, %v; want a folder in %s", name, dir, err, jobs)
		}
	}
	for _, name := range []string{"..", ".", "../x", "/etc", "a/b", `a\b`, ".hidden", "-rf", " a", "a ", "a\x00b", "a\nb", strings.Repeat("a", 61), strings.Repeat("ё", longestName+1), "a\xff", "<b>", "$(id)"} {
		if dir, err := s.fresh(name); err == nil {
			t.Errorf("fresh(%q) = %s; want an error", name, dir)
		}
	}
	makeCase(t, filepath.Join(jobs, "there"))
	if _, err := s.fresh("there"); err == nil {
		t.Error("fresh(there) = nil; want an error: there is a case of that name")
	}
}
