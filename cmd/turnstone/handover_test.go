package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/imager"
	"turnstone/mapfile"
)

// At a terminal discard asks, and what is no yes deletes nothing.
func TestDiscardAsksFirst(t *testing.T) {
	t.Parallel()
	disc := discFile(t, 64)
	for _, c := range []struct {
		name, close, question, answer string
		gone                          bool
	}{
		{"Enter", "", "131 kB in the image. The case was not closed yet. Delete image, files and names? It can't be undone. [y/N]", "\n", false},
		{"no", "", "[y/N]", "no\n", false},
		{"end of input", "", "[y/N]", "\x04", false},
		{"yes", "", "[y/N]", "y\n", true},
		{"before its day, Enter", "2099-12-31", "It is to be kept until 31 December 2099. Delete image, files and names?", "\n", false},
		{"before its day, yes", "2099-12-31", "[y/N]", "yes\n", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "case")
			turnstone(t, "read", dir, "--drive", disc).is(exitDone)
			if c.close != "" {
				turnstone(t, "close", dir, "--keep-until", c.close).is(exitDone)
			}
			p := atTerminal(t, 200, "discard", dir)
			p.saysFolded(c.question)
			p.types(c.answer)
			p.wait().is(exitDone)
			if gone := !exists(filepath.Join(dir, "image.iso")); gone != c.gone {
				t.Errorf("the image is deleted: %v; want %v; it said %q", gone, c.gone, p.err.String())
			}
			if kept := strings.Contains(p.err.String(), "Nothing was deleted."); kept == c.gone {
				t.Errorf("it said %q; want it to say what became of it", p.err.String())
			}
		})
	}
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// While a pass runs nothing is deleted, and the process is named; pages can be made.
func TestDiscardIsRefused(t *testing.T) {
	t.Parallel()
	dir, disc := filepath.Join(t.TempDir(), "case"), discFile(t, 64)
	turnstone(t, "read", dir, "--drive", disc).is(exitDone)
	c, err := imager.Open(dir, imager.Writer{Command: "turnstone read by a test", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	turnstone(t, "discard", dir, "--yes").is(exitFailed, "(turnstone read by a test)")
	turnstone(t, "close", dir, "--keep-until", "2099-12-31").is(exitFailed, "(turnstone read by a test)")
	turnstone(t, "report", dir, "--sums").is(exitFailed, "(turnstone read by a test)")
	turnstone(t, "report", dir).is(exitDone, "customer.html")
	if !exists(filepath.Join(dir, "image.iso")) {
		t.Errorf("the image is deleted; want it there")
	}
}

// A discarding that was stopped is said of, and finished without a question.
func TestDiscardGoesOn(t *testing.T) {
	t.Parallel()
	dir, disc := filepath.Join(t.TempDir(), "case"), discFile(t, 64)
	turnstone(t, "read", dir, "--drive", disc).is(exitDone)
	path := filepath.Join(dir, "map.db")
	m, err := mapfile.Open(path)
	if err == nil {
		err = m.SetClosing(mapfile.Closing{State: mapfile.Discarding, At: time.Now()})
	}
	if err == nil {
		err = m.Commit(path)
	}
	if err != nil {
		t.Fatal(err)
	}
	turnstone(t, "files", dir).is(exitFailed, "its discarding was begun", "Finish it: turnstone discard")
	turnstone(t, "status", dir).is(exitDone, "not finished", "turnstone discard")
	turnstone(t, "report", dir).is(exitDone)
	turnstone(t, "discard", dir).is(exitDone, "Deleted, not wiped")
	turnstone(t, "status", dir).is(exitDone, "Discarded on")
	if exists(filepath.Join(dir, "image.iso")) || exists(filepath.Join(dir, "report")) {
		t.Errorf("image or pages are there still")
	}
}

// filledUp is a file that takes all the room that is left on its disk.
func filledUp(t *testing.T, path string) *os.File {
	t.Helper()
	ballast, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ballast.Close() })
	for size := int64(4 << 10); unix.Fallocate(int(ballast.Fd()), 0, 0, size) == nil; size += 4 << 10 {
	}
	return ballast
}

// On a full disk a case can be discarded, which makes room, and where none can be made
// nothing is left behind.
func TestDiscardOnAFullDisk(t *testing.T) {
	t.Parallel()
	full := mountTarget(t, "tmpfs", "size=6m")
	dir, fresh, disc := full.path("case"), full.path("fresh"), discFile(t, 1024)
	turnstone(t, "read", dir, "--drive", disc).is(exitDone)
	filledUp(t, full.path("ballast")).Close()
	turnstone(t, "read", fresh, "--drive", disc).is(exitFailed, "no space left on device", "Make room on that disk first.")
	if _, err := os.Lstat(fresh); !os.IsNotExist(err) {
		t.Errorf("Lstat(a case that could not be made) = %v; want nothing there", err)
	}
	turnstone(t, "inspect", dir, "--crack", "no").is(exitFailed, "no space left on device")
	turnstone(t, "discard", dir, "--yes").is(exitDone)
	turnstone(t, "status", dir).is(exitDone, "Discarded")
	turnstone(t, "read", fresh, "--drive", disc, "--only", "0-511").is(exitMissing)
}

// A disk that is full while pages are written: a sentence, the pages that were there as
// they were, and nothing half.
func TestReportOnAFullDisk(t *testing.T) {
	t.Parallel()
	full := mountTarget(t, "tmpfs", "size=256k")
	dir, out := filepath.Join(t.TempDir(), "case"), full.path("out")
	turnstone(t, "read", dir, "--drive", discFile(t, 64)).is(exitDone)
	turnstone(t, "report", dir, "--out", out).is(exitDone)
	before := map[string][]byte{}
	for _, name := range []string{"bench.html", "customer.html"} {
		b, err := os.ReadFile(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		before[name] = b
	}
	ballast := filledUp(t, full.path("ballast"))
	// With room for one of two pages neither is replaced.
	for _, free := range []int64{0, int64(len(before["bench.html"])) + 8<<10} {
		info, err := ballast.Stat()
		if err == nil {
			err = ballast.Truncate(max(0, info.Size()-free))
		}
		if err != nil {
			t.Fatal(err)
		}
		r := turnstone(t, "report", dir, "--out", out).is(exitFailed, "no space left on device", "Make room")
		if strings.Contains(r.err, ".part-") || strings.Contains(r.out, "html") {
			t.Errorf("it said %q and %q; want the name of the page, and no page told as made", r.err, r.out)
		}
		entries, err := os.ReadDir(out)
		if err != nil || len(entries) != 2 {
			t.Errorf("in the folder are %v, %v; want the two pages", entries, err)
		}
		for name, was := range before {
			if b, err := os.ReadFile(filepath.Join(out, name)); err != nil || !bytes.Equal(b, was) {
				t.Errorf("%s is other than it was, %v", name, err)
			}
		}
	}
}

// A day that data is kept until counts to its end, where the workshop is.
func TestClosingInWords(t *testing.T) {
	zone := time.FixedZone("", 3600)
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 12, day, hour, minute, 0, 0, zone) }
	closed := mapfile.Closing{State: mapfile.Closed, At: at(1, 12, 0), By: "Kim", KeepUntil: "2026-12-31"}
	for _, c := range []struct {
		name string
		c    *mapfile.Closing
		now  time.Time
		want string
	}{
		{"open", nil, at(1, 0, 0), ""},
		{"kept", &closed, at(2, 12, 0), "by Kim. Image and files are kept until 31 December 2026.\n"},
		{"on its last day", &closed, at(31, 23, 59), "Image and files are kept until 31 December 2026.\n"},
		{"over", &closed, at(31, 24, 0), "were to be kept until 31 December 2026: delete them with turnstone discard 'a case'\n"},
		{"half discarded", &mapfile.Closing{State: mapfile.Discarding, At: at(1, 12, 0)}, at(2, 0, 0), "not finished: what is left of image and files does not count. Finish it: turnstone discard 'a case'\n"},
		{"discarded", &mapfile.Closing{State: mapfile.Discarded, At: at(1, 12, 0), By: "Kim"}, at(2, 0, 0), "by Kim: image, files and names are deleted. These are its figures.\n"},
		{"of a later version", &mapfile.Closing{State: mapfile.Closed, At: at(1, 12, 0)}, at(2, 0, 0), "Closed on 1 December 2026.\n"},
	} {
		if c.c != nil {
			short := closingInShort(*c.c, c.now)
			if over := strings.HasPrefix(short, "discard it: "); over != (c.name == "over") || (c.c.State == mapfile.Discarded) != strings.HasPrefix(short, "discarded ") {
				t.Errorf("%s: closingInShort() = %q; want the same in short", c.name, short)
			}
		}
		if got := closingInWords(c.c, "a case", c.now); !strings.HasSuffix(got, c.want) || c.want == "" && got != "" {
			t.Errorf("%s: closingInWords() = %q; want %q at its end", c.name, got, c.want)
		}
	}
}
