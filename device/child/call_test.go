package child

import (
	"context"
	"errors"
	"testing"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
)

func TestCalls(t *testing.T) {
	var c bell
	r := start(t, drive{}, c.afterFunc)
	call := func(op, arg string) (string, error) {
		b, err := r.Call(t.Context(), op, []byte(arg))
		return string(b), err
	}
	if got, err := call("echo", "a\x00b"); got != "a\x00b" || err != nil {
		t.Errorf("Call(echo) = %q, %v; want what it was given", got, err)
	}
	if _, err := call("nonsense", ""); !errors.Is(err, device.ErrUnsupported) {
		t.Errorf("Call(nonsense) = %v; want %v", err, device.ErrUnsupported)
	}
	if _, err := call("errno", ""); !errors.Is(err, unix.EPERM) {
		t.Errorf("Call(errno) = %v; want %v in it", err, unix.EPERM)
	}
	if _, err := call("words", ""); err == nil || err.Error() != "in words" {
		t.Errorf("Call(words) = %v; want its words", err)
	}
	if _, err := call("a\x00b", ""); err == nil {
		t.Error("Call of an op with a zero byte = nil; want an error")
	}
	// Between reads it keeps its place, and theirs.
	ask(t, r, sector.Span(0, 16), sector.Span(16, 16))
	if got, err := call("echo", "x"); got != "x" || err != nil {
		t.Errorf("Call behind two reads = %q, %v; want x, nil", got, err)
	}
	if err := r.Ask(sector.Span(32, 1)); !errors.Is(err, device.ErrFull) {
		t.Errorf("Ask with two answers to be taken = %v; want %v", err, device.ErrFull)
	}
	want := make([]byte, sector.Size)
	for _, s := range []sector.Range{sector.Span(0, 16), sector.Span(16, 16)} {
		a := take(t, r)
		devicetest.Pattern(s.First, want)
		if a.Asked != s || a.Err != nil || string(a.Data[:sector.Size]) != string(want) {
			t.Errorf("answer behind a call = %v, %v; want %v", a.Asked, a.Err, s)
		}
	}
	// One whose caller leaves does not disturb the next.
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for range 3 {
		r.Call(ended, "echo", []byte("left"))
	}
	if got, err := call("echo", "stays"); got != "stays" || err != nil {
		t.Errorf("Call after one that was left = %q, %v; want stays, nil", got, err)
	}
	// A stall in one that was left shows in what comes after.
	if _, err := r.Call(ended, "hang", nil); !errors.Is(err, context.Canceled) {
		t.Fatalf("Call(hang) = %v; want %v", err, context.Canceled)
	}
	ask(t, r, sector.Span(0, 1))
	c.strike()
	if a := take(t, r); a.Err == nil || a.Err.Class != device.Stalled || a.Err.Asked != sector.Span(0, 1) {
		t.Errorf("answer behind a call that hangs = %v; want a stall", a.Err)
	}
}

func TestCallStalls(t *testing.T) {
	r := start(t, drive{}, nil)
	r.config.AfterFunc = rush
	_, err := r.Call(t.Context(), "hang", nil)
	if e, ok := errors.AsType[*device.ReadError](err); !ok || e.Class != device.Stalled {
		t.Errorf("Call(hang) = %v; want a stall", err)
	}
}
