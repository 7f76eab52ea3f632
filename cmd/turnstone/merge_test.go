package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager"
)

// Ctrl-C ends a merge in order: what came is saved, the case is intact and free,
// and the same command goes on.
func TestMergeInterrupted(t *testing.T) {
	t.Parallel()
	const n = 64 << 10 // 128 MiB: a moment's work
	disc := discFile(t, n)
	dir := filepath.Join(t.TempDir(), "case")
	merge := []string{"merge", dir, "--image", disc, "--good", fmt.Sprintf("0-%d", n-1)}
	for range 20 { // a merge that was over before the signal came proves nothing
		r := start(t, append(merge, "--json")...)
		r.says(`"kind":"progress"`)
		r.signal(syscall.SIGINT)
		res := r.wait()
		if res.code == exitDone {
			if err := os.RemoveAll(dir); err != nil {
				t.Fatal(err)
			}
			continue
		}
		s := res.is(exitMissing).status()
		if p := s.Rounds[0].Passes; s.Good == 0 || s.Good == n || len(p) != 1 || p[0].Ended != imager.HowInterrupted {
			t.Fatalf("status = %+v; want some of %d sectors, the pass interrupted", s, n)
		}
		turnstone(t, "check", "--deep", dir).is(exitDone)
		turnstone(t, "status", dir).is(exitDone, "interrupted")
		turnstone(t, merge...).is(exitDone, fmt.Sprintf("Taken over from %s: %s sectors", disc, sector.Thousands(n-s.Good)))
		turnstone(t, "check", "--deep", dir).is(exitDone)
		got, err1 := hashOf(filepath.Join(dir, "image.iso"))
		want, err2 := hashOf(disc)
		if err := errors.Join(err1, err2); err != nil || got != want {
			t.Errorf("the image is not the disc (%v)", err)
		}
		return
	}
	t.Fatal("no merge could be interrupted")
}

// A merge that fails on the case's side where sectors are in conflict: the
// conflict gives the exit code.
func TestMergeFailsBesideConflicts(t *testing.T) {
	t.Parallel()
	full := mountTarget(t, "tmpfs", "size=16M")
	dir, disc := full.path("case"), discFile(t, 8192) // 16 MiB: more than has room
	odd := filepath.Join(t.TempDir(), "odd.iso")
	data, err := os.ReadFile(disc)
	if err != nil {
		t.Fatal(err)
	}
	data[100*2048] ^= 1
	if err := os.WriteFile(odd, data, 0o600); err != nil {
		t.Fatal(err)
	}
	turnstone(t, "merge", dir, "--image", disc, "--good", "0-999").is(exitMissing)
	turnstone(t, "merge", dir, "--image", odd, "--good", "0-999").is(exitCheck)
	turnstone(t, "merge", dir, "--image", disc, "--good", "0-8191").is(exitCheck, "no space left on device", "in conflict: 1", "1 sector is in conflict")
	turnstone(t, "read", dir, "--drive", disc).is(exitCheck, "no space left on device")
	turnstone(t, "check", "--deep", dir).is(exitDone)
}

// The order of exit codes: 5 before 4, 4 before 1.
func TestCodeOfSeveral(t *testing.T) {
	for _, test := range []struct {
		err  error
		want int
	}{
		{errors.Join(syscall.ENOSPC, imager.ErrConflict), exitCheck},
		{errors.Join(imager.ErrOtherDisc, imager.ErrConflict), exitCheck},
		{errors.Join(syscall.ENOSPC, imager.ErrOtherDisc), exitDrive},
		{syscall.ENOSPC, exitFailed},
	} {
		if got := codeOf(test.err); got != test.want {
			t.Errorf("codeOf(%v) = %d; want %d", test.err, got, test.want)
		}
	}
}

// A loop device of the case's own image is not read into it.
func TestReadOfOwnLoop(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "case")
	turnstone(t, "merge", dir, "--image", discFile(t, 256), "--good", "0-99").is(exitMissing)
	loop := writableLoop(t, filepath.Join(dir, "image.iso"))
	if f, err := os.Open(loop); err == nil { // it lives as long as it is open
		defer f.Close()
	}
	turnstone(t, "read", dir, "--drive", loop).is(exitUsage, "is a file of this case itself")
	if s := statusOf(t, dir); s.Good != 100 || len(s.Rounds[0].Passes) != 1 {
		t.Errorf("status = %+v; want nothing read", s)
	}
}
