package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/imager"
)

// Who watches may leave (a pipe into head): the pass goes on to its end, and the
// exit code is that of the pass.
func TestPassOutlivesItsWatcher(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "case")
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	r.Close() // every write to w fails from here on
	cmd := exec.Command(program(t), "read", dir, "--drive", discFile(t, 4096))
	cmd.Stdout, cmd.Stderr = w, w
	err = cmd.Run()
	w.Close()
	if err != nil {
		t.Errorf("turnstone read into a closed pipe: %v; want exit code 0", err)
	}
	s := statusOf(t, dir)
	if s.Good != 4096 || s.Rounds[0].Passes[0].Ended != imager.HowComplete {
		t.Errorf("status = %+v; want all good, the pass complete", s)
	}
}

// A question waits no longer than the person who is asked wants to.
func TestQuestionEndsWithItsContext(t *testing.T) {
	in, typed := io.Pipe()
	defer typed.Close()
	var said bytes.Buffer
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if answer, err := askUntil(ctx, "Well? ", streams{In: in, Err: &said}); !errors.Is(err, context.Canceled) || answer != "" {
		t.Errorf("askUntil(ended) = %q, %v; want none, canceled", answer, err)
	}
	if answer, err := askUntil(t.Context(), "", streams{In: strings.NewReader(" yes \n"), Err: &said}); answer != "yes" || err != nil {
		t.Errorf(`askUntil(" yes ") = %q, %v; want "yes", nil`, answer, err)
	}
	if said.String() != "Well? " {
		t.Errorf("it said %q; want the question", said.String())
	}
}

// Ctrl-C before a pass began is told as such, with the code of sectors missing.
func TestInterruptedBeforeAPass(t *testing.T) {
	var said bytes.Buffer
	wrapped := errors.Join(imager.ErrUnproven, context.Canceled)
	if code := report(interrupted(wrapped, streams{Err: &said}), streams{Err: &said}); code != exitMissing {
		t.Errorf("code = %d; want %d", code, exitMissing)
	}
	if got := said.String(); strings.Count(got, "\n") != 1 || !strings.Contains(got, "interrupted") {
		t.Errorf("it said %q; want one sentence", got)
	}
	other := errors.New("other")
	if got := interrupted(other, streams{Err: &said}); got != other {
		t.Errorf("interrupted(other) = %v; want it as it was", got)
	}
}
