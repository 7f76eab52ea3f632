package imager

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// secret is what people wrote into the case of endedCase, and what its files are
// called; all of it is invented.
var secret = []string{"two.jpg", "SecretNote", "SecretRound"}

// endedCase is a case with all that a discarding has to deal with: an image with a
// hole, kept readings, sums of files, pages, charts, notes, a wish, a conflict.
func endedCase(t *testing.T) (dir string) {
	t.Helper()
	image := album(t)
	dir = caseOf(t, image, sector.Span(40, 10))
	w := Writer{Command: "test", CaseID: "invented", Now: clock}
	c, err := Open(dir, w)
	if err != nil {
		t.Fatal(err)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(c.Inspected(mapfile.Seen{Crack: "no", By: "Sam", Note: "SecretNote"}))
	_, err = c.OpenRound(mapfile.Round{Treatments: treatments(t, "polish fine"), By: "Sam", Note: "SecretRound"})
	must(err)
	_, err = c.AmendRound(mapfile.Round{Note: "SecretRound, amended"})
	must(err)
	_, err = c.Want([]string{"two.jpg"})
	must(err)
	must(c.CloseCase("2026-12-31", "Kim"))
	must(c.Close())
	files := openFiles(t, dir)
	var sums []FileSum
	for x := range files.All() {
		if sum, ok, err := files.Sum(context.Background(), x); err == nil && ok {
			sums = append(sums, FileSum{x.Path(), sum})
		}
	}
	must(WriteSums(dir, sums))
	for name, text := range map[string]string{
		"kept/pass-3.iso": "SecretNote", "report/customer.html": "two.jpg", "report/deep/er/x": "SecretNote",
		"form2.bin": "SecretNote", "form2.json": `{"sectors":[[300,20]],"good":[[300,5]]}`,
		"charts/now-surface.svg": "figures", "image.sha256": "figures", "status.json.new": "SecretNote",
	} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		must(os.MkdirAll(filepath.Dir(path), 0o700))
		must(os.WriteFile(path, []byte(text), 0o600))
	}
	return dir
}

// figuresOf is what a map counts, in text.
func figuresOf(m *mapfile.Map) string {
	s := StatusOf(m)
	s.Wanted, s.Closing, s.Seen, s.FailedHere, s.OpenHere = nil, nil, nil, 0, 0
	for n := range s.Rounds {
		for p := range s.Rounds[n].Passes {
			s.Rounds[n].Passes[p].Drive = ""
		}
	}
	return fmt.Sprintf("%+v %s %+v", s, states(m), m.Drives())
}

// What is deleted is gone, from the map's file too, and the figures are as they were.
func TestDiscard(t *testing.T) {
	dir := endedCase(t)
	if err := os.WriteFile(filepath.Join(dir, "films.zip"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	was, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	before := figuresOf(was)
	left, err := Discard(dir, Writer{Now: clock}, "Kim")
	if err != nil || !slices.Equal(left, []string{"films.zip"}) {
		t.Errorf("Discard() = %q, %v; want films.zip, which is not the program's, left", left, err)
	}
	proveDiscarded(t, dir, before)
	c := mustLoad(t, dir).Closing()
	if c.State != mapfile.Discarded || c.By != "Kim" || c.KeepUntil != "2026-12-31" || !c.At.Equal(epochTime) {
		t.Errorf("Closing() = %+v; want it discarded by Kim, with the day until which it was kept", c)
	}
	// Once more there is nothing to discard.
	var gone *DiscardedError
	if _, err := Discard(dir, Writer{Now: clock}, ""); !errors.As(err, &gone) || gone.Closing.State != mapfile.Discarded {
		t.Errorf("Discard(a discarded case) = %v; want a DiscardedError", err)
	}
}

func mustLoad(t *testing.T, dir string) *mapfile.Map {
	t.Helper()
	m, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// proveDiscarded holds a case's folder against what a discarding promises.
func proveDiscarded(t *testing.T, dir, figures string) {
	t.Helper()
	if problems, err := mapfile.Check(filepath.Join(dir, mapName)); err != nil || len(problems) > 0 {
		t.Errorf("mapfile.Check() = %q, %v; want it sound", problems, err)
	}
	if got := figuresOf(mustLoad(t, dir)); got != figures {
		t.Errorf("figures = %s; want %s", got, figures)
	}
	for _, name := range append(whatGoes, figuresName) {
		if _, err := os.Lstat(filepath.Join(dir, name)); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s is there, %v; want it deleted", name, err)
		}
	}
	for _, name := range []string{"charts/now-surface.svg", "image.sha256", "form2.json"} {
		if _, err := os.Lstat(filepath.Join(dir, name)); err != nil {
			t.Errorf("%s: %v; want it kept", name, err)
		}
	}
	if got := FormTwoOf(dir, mapfile.New("x")); got == nil || got.Sectors != 20 || got.Good != 5 {
		t.Errorf("FormTwoOf() = %+v; want its figures as they were", got)
	}
	// The words that nobody may find again, in the files as they are and in the events.
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		for _, word := range secret {
			if bytes.Contains(b, []byte(word)) {
				t.Errorf("%s holds %q", path, word)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]int{}
	err = mapfile.Events(filepath.Join(dir, mapName), func(e mapfile.Event) bool {
		kinds[e.Kind]++
		for _, word := range secret {
			if strings.Contains(e.Text, word) {
				t.Errorf("event %+v holds %q", e, word)
			}
		}
		return true
	})
	for _, kind := range []string{KindInspected, KindRound, KindAmended, KindWanted, KindClosed, KindDiscarded, KindEnded} {
		if kinds[kind] != 1 {
			t.Errorf("%d events %q; want 1 (%v)", kinds[kind], kind, err)
		}
	}
}

// errStopped is the end of a program between two steps.
var errStopped = errors.New("stopped")

// Wherever it is stopped, before a step reaches the disk or after: the case's data
// either all counts, or nobody takes it for the customer's any more; and discarding
// again comes to the same end.
func TestDiscardStoppedAtEveryStep(t *testing.T) {
	for stop := 0; ; stop++ {
		for _, done := range []bool{false, true} {
			dir := endedCase(t)
			before, words := figuresOf(mustLoad(t, dir)), len(openFiles(t, dir).m.Wanted().Names)
			n := 0
			d := discarding{dir: dir, w: Writer{Now: clock}, step: func(do func() error) error {
				n++
				if n-1 != stop {
					return do()
				}
				if done {
					if err := do(); err != nil {
						return err
					}
				}
				return errStopped
			}}
			_, err := d.run()
			if n <= stop {
				if err != nil || n < 10 {
					t.Errorf("run without a stop = %v after %d steps; want nil, and more than 10", err, n)
				}
				proveDiscarded(t, dir, before)
				return
			}
			if !errors.Is(err, errStopped) {
				t.Fatalf("step %d: run() = %v; want it stopped", stop, err)
			}
			m := mustLoad(t, dir)
			if got := figuresOf(m); got != before {
				t.Errorf("step %d: figures = %s; want %s", stop, got, before)
			}
			told, err := os.ReadFile(filepath.Join(dir, statusName))
			begun := stop > 1 || stop == 1 && done
			if begun && (err == nil && !bytes.Contains(told, []byte(mapfile.Discarded)) || err != nil && !errors.Is(err, fs.ErrNotExist)) {
				t.Errorf("step %d: status.json says %s, %v; want none, or that it is discarded", stop, told, err)
			}
			f, err := OpenFiles(dir)
			switch state := m.Closing().State; {
			case state == mapfile.Closed: // nothing was begun
				if err != nil || stop > 0 || len(m.Wanted().Names) != words {
					t.Errorf("step %d: the case is closed still, OpenFiles() = %v; want that before the first step only, with all of it", stop, err)
				} else {
					f.Close()
				}
			case !errors.Is(err, ErrDiscarded):
				t.Errorf("step %d: OpenFiles() of what is %s = %v; want %v", stop, state, err, ErrDiscarded)
			}
			_, err = Discard(dir, Writer{Now: clock}, "")
			if m.Closing().State == mapfile.Discarded { // it was stopped behind its last change
				if !errors.Is(err, ErrDiscarded) {
					t.Errorf("step %d, again: Discard() = %v; want %v", stop, err, ErrDiscarded)
				}
			} else if err != nil {
				t.Errorf("step %d, again: Discard() = %v; want nil", stop, err)
			}
			proveDiscarded(t, dir, before)
			if t.Failed() {
				return
			}
		}
	}
}

// Nothing that wants the customer's data gets it, and nothing that would add to it.
func TestDiscardedIsRefused(t *testing.T) {
	dir := endedCase(t)
	if _, err := Discard(dir, Writer{Now: clock}, ""); err != nil {
		t.Fatal(err)
	}
	for name, do := range map[string]func() error{
		"Open":         func() error { _, err := Open(dir, Writer{Now: clock}); return err },
		"OpenUnproven": func() error { _, err := OpenUnproven(dir, Writer{Now: clock}); return err },
		"OpenFiles":    func() error { _, err := OpenFiles(dir); return err },
		"OpenSource":   func() error { _, err := OpenSource(dir, t.TempDir()); return err },
		"Check":        func() error { _, err := Check(dir, true); return err },
	} {
		var gone *DiscardedError
		if err := do(); !errors.As(err, &gone) || !errors.Is(err, ErrDiscarded) {
			t.Errorf("%s(a discarded case) = %v; want a DiscardedError", name, err)
		}
	}
	if got := Advise(mustLoad(t, dir)); got != nil {
		t.Errorf("Advise(a discarded case) = %+v; want none", got)
	}
}

// While somebody writes into the case nothing of it is deleted.
func TestDiscardOfACaseInUse(t *testing.T) {
	dir := endedCase(t)
	c, err := Open(dir, Writer{Command: "a pass", Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Discard(dir, Writer{Now: clock}, ""); !errors.Is(err, ErrInUse) {
		t.Errorf("Discard(a case in use) = %v; want %v", err, ErrInUse)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	openFiles(t, dir)
	if got := mustLoad(t, dir).Closing().State; got != mapfile.Closed {
		t.Errorf("closing = %q; want it as it was", got)
	}
}

// Where the image is damaged or missing, the rest is deleted all the same.
func TestDiscardWithoutAnImage(t *testing.T) {
	dir := endedCase(t)
	before := figuresOf(mustLoad(t, dir))
	if err := os.Remove(filepath.Join(dir, imageName)); err != nil {
		t.Fatal(err)
	}
	if _, err := Discard(dir, Writer{Now: clock}, ""); err != nil {
		t.Errorf("Discard(a case without its image) = %v; want nil", err)
	}
	proveDiscarded(t, dir, before)
}

// A closed case that is worked on is open again, and says so.
func TestClosedCaseIsWorkedOn(t *testing.T) {
	for name, work := range map[string]func(c *Case) error{
		"round": func(c *Case) error {
			_, err := c.OpenRound(mapfile.Round{Treatments: treatments(t, "clean")})
			return err
		},
		"pass": func(c *Case) error {
			_, err := c.begin(mapfile.Pass{Drive: -1}, silent{}, rhythm{every: time.Hour})
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := endedCase(t)
			c, err := Open(dir, Writer{Now: clock})
			if err != nil {
				t.Fatal(err)
			}
			if got := c.Map().Closing(); got.State != mapfile.Closed || got.KeepUntil != "2026-12-31" || got.By != "Kim" {
				t.Errorf("Closing() = %+v; want it closed by Kim", got)
			}
			if err := work(c); err != nil {
				t.Fatal(err)
			}
			if err := c.Close(); err != nil {
				t.Fatal(err)
			}
			m := mustLoad(t, dir)
			if got := m.Closing(); got != (mapfile.Closing{}) {
				t.Errorf("Closing() = %+v; want an open case", got)
			}
			if got := eventsOf(t, filepath.Join(dir, mapName), KindOpenAgain); len(got) != 1 {
				t.Errorf("%d events that it is open again; want 1", len(got))
			}
		})
	}
}
