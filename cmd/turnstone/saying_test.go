package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/device"
	"turnstone/imager"
)

// With --json standard error is JSON lines and nothing else, from a new case on.
func TestJSONLinesOnly(t *testing.T) {
	t.Parallel()
	r := turnstone(t, "read", filepath.Join(t.TempDir(), "case"), "--drive", discFile(t, 64), "--json").is(exitDone)
	for line := range strings.Lines(r.err) {
		if !json.Valid([]byte(line)) {
			t.Errorf("standard error has the line %q; want JSON", line)
		}
	}
	var said bytes.Buffer
	desk := terminalDesk{o: readOptions{json: true}, s: streams{Err: &said}}
	desk.Note("little room")
	if !json.Valid(said.Bytes()) || !strings.Contains(said.String(), "little room") {
		t.Errorf("Note with --json = %q; want JSON with the text", said.String())
	}
}

// What is there to be copied is one word at a shell.
func TestGoOnIsToBeCopied(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "my case")
	next := goOn(imager.Ending{How: imager.HowInterrupted}, dir, readOptions{drive: "my disc.iso"})
	if want := "turnstone read '" + dir + "' --drive 'my disc.iso'"; !strings.Contains(next, want) {
		t.Errorf("goOn() = %q; want %q in it", next, want)
	}
}

// A case that can't be written to is checked deeply too, and it is not said that
// anything was taken back.
func TestDeepCheckOfACaseThatCantBeWritten(t *testing.T) {
	place := mountTarget(t, "tmpfs", "size=8m")
	dir := place.path("case")
	turnstone(t, "read", dir, "--drive", discFile(t, 256)).is(exitDone)
	image, err := os.OpenFile(filepath.Join(dir, "image.iso"), os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	image.WriteAt([]byte("rot"), 9*2048)
	image.Close()
	place.readOnly(true)
	r := turnstone(t, "check", dir, "--deep").is(exitCheck, "1 good sector of the image does not match its checksum, ", "Nothing was changed", "read-only")
	if strings.Contains(r.out, "again; read them anew") {
		t.Errorf("it said:\n%s\nbut nothing was taken back", r.out)
	}
	place.readOnly(false)
	turnstone(t, "check", dir, "--deep").is(exitCheck, "again; read them anew")
	if s := statusOf(t, dir); s.Untried != 1 {
		t.Errorf("untried = %d; want 1", s.Untried)
	}
}

// The errors of the case's side say what to do.
func TestCures(t *testing.T) {
	for _, err := range []error{
		imager.ErrNoCase, &imager.InUseError{Dir: "case", PID: 1, Command: "x"}, imager.ErrImage, imager.ErrRotten,
		imager.ErrOtherDisc, imager.ErrUnproven, os.ErrPermission, &device.OpenError{Cure: "x"},
	} {
		if cure(err) == "" {
			t.Errorf("cure(%v) is empty; want what to do", err)
		}
	}
	if a, b := cure(imager.ErrRotten), cure(imager.ErrImage); a == b {
		t.Errorf("cure of rotten sectors and of another image are the same: %q", a)
	}
	if got := cure(errors.New("anything else")); got != "" {
		t.Errorf("cure(anything else) = %q; want none", got)
	}
}
