package imager

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/device/devicetest"
)

// A file gets its name once it is whole; of one that fails nothing is left, and what is
// there already is never written over.
func TestMakeFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.pass")
	text := func(s string) func(io.Writer) error {
		return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
	}
	names := func() (all []string) {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			all = append(all, e.Name())
		}
		return all
	}
	if err := makeFile(path, func(io.Writer) error { return errStep }); !errors.Is(err, errStep) || len(names()) > 0 {
		t.Errorf("makeFile(that fails) = %v, leaves %v; want the error, nothing", err, names())
	}
	// What a killed program has left is in nobody's way, and not read by others any more.
	if err := os.WriteFile(path+partTail, []byte("a longer text than the next"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := makeFile(path, text("text")); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	info, serr := os.Stat(path)
	if err != nil || serr != nil || string(data) != "text" || info.Mode().Perm() != 0o600 || len(names()) != 1 {
		t.Errorf("the file is %q, %v, in %v (%v); want text, for its owner only, alone", data, info.Mode(), names(), err)
	}
	if err := makeFile(path, text("other")); !errors.Is(err, fs.ErrExist) {
		t.Errorf("makeFile(of a name that is taken) = %v; want fs.ErrExist", err)
	}
	// Somebody takes the name meanwhile.
	other := filepath.Join(dir, "b.pass")
	err = makeFile(other, func(io.Writer) error { return os.WriteFile(other, []byte("theirs"), 0o600) })
	if data, _ := os.ReadFile(other); !errors.Is(err, fs.ErrExist) || string(data) != "theirs" {
		t.Errorf("makeFile(of a name that is taken meanwhile) = %v, the file is %q; want fs.ErrExist, theirs", err, data)
	}
	// What fails is told by the name that the file was to get, and where it can't lie.
	err = makeFile(other+"2", func(w io.Writer) error {
		w.(unnamed).f.Close()
		return fmt.Errorf("here: %w", text("text")(w))
	})
	if err == nil || !strings.Contains(err.Error(), other+"2:") {
		t.Errorf("makeFile(that fails in its file) = %v; want it told by its own name", err)
	}
	err = makeFile(filepath.Join(dir, "no", "e.pass"), text("text"))
	if err == nil || !strings.HasSuffix(err.Error(), "there is no folder "+filepath.Join(dir, "no")+" to make it in") {
		t.Errorf("makeFile(in no folder) = %v; want it said that there is none", err)
	}
	// Two at a time: the second gives way.
	third := filepath.Join(dir, "c.pass")
	err = makeFile(third, func(w io.Writer) error {
		if err := makeFile(third, text("second")); err == nil {
			t.Error("makeFile(while another makes it) = nil; want an error")
		}
		return text("first")(w)
	})
	if data, _ := os.ReadFile(third); err != nil || string(data) != "first" {
		t.Errorf("makeFile() = %v, the file is %q; want nil, first", err, data)
	}
	// A link that somebody has put there leads nowhere.
	victim := filepath.Join(dir, "victim")
	if err := os.WriteFile(victim, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(victim, filepath.Join(dir, "d.pass"+partTail)); err != nil {
		t.Fatal(err)
	}
	err = makeFile(filepath.Join(dir, "d.pass"), text("text"))
	if data, _ := os.ReadFile(victim); err == nil || string(data) != "mine" {
		t.Errorf("makeFile(through a link) = %v, the file behind it is %q; want an error, mine", err, data)
	}
}

// A packing that is ended leaves no file.
func TestPackInterrupted(t *testing.T) {
	c := made(t, 4096)
	if _, err := c.Read(t.Context(), reading(devicetest.NewFake(4096, devicetest.Options{}))); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "a.pass")
	ctx, cancel := context.WithCancel(t.Context())
	_, err := PackFile(ctx, c.Dir, file, Packing{Now: time.Now(), Tell: func(done, all int64) {
		if done >= all/2 {
			cancel()
		}
	}})
	if _, serr := os.Stat(file); !errors.Is(err, context.Canceled) || !errors.Is(serr, fs.ErrNotExist) {
		t.Errorf("PackFile(ended half-way) = %v, the file: %v; want context.Canceled, none", err, serr)
	}
	if res, err := PackFile(t.Context(), c.Dir, file, Packing{Now: time.Now()}); err != nil || res.Sectors != 4096 {
		t.Errorf("PackFile() = %+v, %v; want 4096 sectors", res, err)
	}
}
