package imager

import (
	"errors"
	"syscall"
	"testing"
)

// The lock goes with its release, though a process that was forked meanwhile still
// has the file: it would for as long as it takes to become its program.
func TestReleaseLetsGoOfTheLock(t *testing.T) {
	dir := t.TempDir()
	l, err := takeLock(dir, "first")
	if err != nil {
		t.Fatal(err)
	}
	forked, err := syscall.Dup(int(l.f.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	defer syscall.Close(forked)
	if _, err := takeLock(dir, "second"); !errors.Is(err, ErrInUse) {
		t.Errorf("takeLock of a case in use = %v; want %v", err, ErrInUse)
	}
	if err := l.release(); err != nil {
		t.Fatalf("release() = %v; want nil", err)
	}
	again, err := takeLock(dir, "third")
	if err != nil {
		t.Fatalf("takeLock after the release = %v; want nil", err)
	}
	if err := again.release(); err != nil {
		t.Errorf("release() = %v; want nil", err)
	}
}
