package devicetest

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

func TestFakeConforms(t *testing.T) {
	for _, test := range []struct {
		name  string
		names bool
	}{{"as a block device", false}, {"as an optical drive", true}} {
		t.Run(test.name, func(t *testing.T) {
			bad := []Bad{
				{sector.Span(100, 3), device.Medium},
				{sector.Span(200, 1), device.Doubtful},
				{sector.Span(999, 1), device.Track},
			}
			Run(t, func(t *testing.T) device.Reader {
				f := NewFake(1000, Options{NamesAddress: test.names})
				for _, b := range bad {
					f.Fail(b.Range, b.Class, Always)
				}
				t.Cleanup(func() { f.Close() })
				return f
			}, Disc{Content: Pattern, Bad: bad})
		})
	}
}

// read asks for r and takes the answer.
func read(t *testing.T, f *Fake, r sector.Range) device.Answer {
	t.Helper()
	if err := f.Ask(r); err != nil {
		t.Fatalf("Ask(%v) = %v; want nil", r, err)
	}
	a, err := f.Answer(t.Context())
	if err != nil {
		t.Fatalf("Answer() = %v; want the answer to %v", err, r)
	}
	return a
}

// class is the class of an answer's error, 0 where it has none.
func class(a device.Answer) device.Class {
	if a.Err == nil {
		return 0
	}
	return a.Err.Class
}

func TestScript(t *testing.T) {
	const named, whole = true, false
	type step struct {
		ask   sector.Range
		good  int64
		class device.Class
		at    sector.LBA
	}
	for _, test := range []struct {
		name   string
		names  bool
		script func(f *Fake)
		steps  []step
	}{
		{"a block device names no sector", whole,
			func(f *Fake) { f.Fail(sector.Span(20, 2), device.Medium, Always) },
			[]step{{sector.Span(16, 16), 0, device.Medium, -1}, {sector.Span(16, 4), 4, 0, 0}, {sector.Span(21, 1), 0, device.Medium, 21}}},
		{"an optical drive names it and gives what is before it", named,
			func(f *Fake) { f.Fail(sector.Span(20, 2), device.Medium, Always) },
			[]step{{sector.Span(16, 16), 4, device.Medium, 20}, {sector.Span(21, 3), 0, device.Medium, 21}}},
		{"twice, then good; only the sector that was met wears off", named,
			func(f *Fake) { f.Fail(sector.Span(20, 2), device.Doubtful, 2) },
			[]step{
				{sector.Span(16, 16), 4, device.Doubtful, 20}, {sector.Span(16, 16), 4, device.Doubtful, 20},
				{sector.Span(16, 16), 5, device.Doubtful, 21}, {sector.Span(16, 16), 5, device.Doubtful, 21},
				{sector.Span(16, 16), 16, 0, 0}}},
		{"the newest rule decides", named,
			func(f *Fake) {
				f.Fail(sector.Span(0, 64), device.Medium, Always)
				f.Fail(sector.Span(20, 1), device.Track, 1)
				f.Heal(sector.Span(0, 20))
			},
			[]step{{sector.Span(16, 16), 4, device.Track, 20}, {sector.Span(16, 16), 4, device.Medium, 20}}},
		{"a refusal says nothing of a sector", named,
			func(f *Fake) { f.Fail(sector.Span(20, 1), device.Refused, 1) },
			[]step{{sector.Span(16, 16), 4, device.Refused, -1}, {sector.Span(16, 16), 16, 0, 0}}},
	} {
		t.Run(test.name, func(t *testing.T) {
			f := NewFake(64, Options{NamesAddress: test.names})
			test.script(f)
			for i, s := range test.steps {
				a := read(t, f, s.ask)
				if a.Good() != s.good || class(a) != s.class || a.Err != nil && a.Err.At != s.at {
					t.Errorf("step %d: answer to %v = %d good, %v; want %d, %v at %d", i, s.ask, a.Good(), a.Err, s.good, s.class, s.at)
				}
			}
		})
	}
}

func TestWeak(t *testing.T) {
	f := NewFake(64, Options{})
	f.Weaken(sector.Span(5, 1), 1)
	for i, want := range []bool{true, false} {
		if a := read(t, f, sector.Span(0, 16)); len(a.Weak) > 0 != want || a.Err != nil {
			t.Errorf("reading %d: weak %v, %v; want %v, nil", i, a.Weak, a.Err, want)
		}
	}
}

func TestStallClosesUntilReopened(t *testing.T) {
	f := NewFake(64, Options{})
	f.Stall(sector.Span(16, 1), 1)
	began := f.Now()
	if err := errors.Join(f.Ask(sector.Span(16, 16)), f.Ask(sector.Span(32, 16))); err != nil {
		t.Fatal(err)
	}
	a, err := f.Answer(t.Context())
	if err != nil || class(a) != device.Stalled || a.Took != time.Minute || f.Now().Sub(began) != time.Minute {
		t.Fatalf("Answer() = %v after %v on a clock that moved by %v, %v; want a stall after 1m0s", a.Err, a.Took, f.Now().Sub(began), err)
	}
	if _, err := f.Answer(t.Context()); !errors.Is(err, device.ErrIdle) {
		t.Errorf("Answer() after a stall = %v; want %v", err, device.ErrIdle)
	}
	if err := f.Ask(sector.Span(0, 1)); !errors.Is(err, device.ErrClosed) {
		t.Errorf("Ask after a stall = %v; want %v", err, device.ErrClosed)
	}
	if err := f.Reopen(t.Context()); err != nil {
		t.Fatalf("Reopen() = %v; want nil", err)
	}
	if a := read(t, f, sector.Span(16, 16)); a.Err != nil {
		t.Errorf("answer after the stall = %v; want all of it", a.Err)
	}
	want := []Request{
		{sector.Span(16, 16), true, 0, device.Stalled},
		{sector.Span(32, 16), false, 0, 0},
		{sector.Span(16, 16), true, 16, 0},
	}
	if got := f.Requests(); !slices.Equal(got, want) {
		t.Errorf("Requests() = %v; want %v", got, want)
	}
	for at, want := range map[sector.LBA]int{15: 0, 16: 2, 31: 2, 32: 1, 48: 0, -1: 0, 64: 0} {
		if got := f.CountOf(at); got != want {
			t.Errorf("CountOf(%d) = %d; want %d", at, got, want)
		}
	}
}

func TestGoneUntilPlugged(t *testing.T) {
	f := NewFake(64, Options{NamesAddress: true})
	f.GoneAt(sector.Span(20, 1))
	if a := read(t, f, sector.Span(16, 16)); class(a) != device.Gone || a.Good() != 0 {
		t.Fatalf("answer at the place = %d good, %v; want none, drive gone", a.Good(), a.Err)
	}
	var e *device.ReadError
	if err := f.Reopen(t.Context()); !errors.As(err, &e) || e.Class != device.Gone {
		t.Errorf("Reopen() while unplugged = %v; want drive gone", err)
	}
	f.Plug()
	if err := f.Ask(sector.Span(0, 1)); !errors.Is(err, device.ErrClosed) {
		t.Errorf("Ask of a drive that came back = %v; want %v until it is reopened", err, device.ErrClosed)
	}
	if err := f.Reopen(t.Context()); err != nil {
		t.Fatalf("Reopen() = %v; want nil", err)
	}
	if a := read(t, f, sector.Span(0, 16)); a.Err != nil {
		t.Errorf("answer after Plug = %v; want all of it", a.Err)
	}
}

func TestInsertShowsAsChanged(t *testing.T) {
	f := NewFake(64, Options{})
	f.Insert(32, Of([]byte("another disc")), "other")
	if a := read(t, f, sector.Span(0, 16)); class(a) != device.Changed || a.Good() != 0 {
		t.Fatalf("answer after Insert = %d good, %v; want none, disc changed", a.Good(), a.Err)
	}
	if err := f.Reopen(t.Context()); err != nil {
		t.Fatal(err)
	}
	if i := f.Info(); i.Sectors != 32 || i.Medium != "other" {
		t.Errorf("Info() = %d sectors of %q; want 32 of %q", i.Sectors, i.Medium, "other")
	}
	if a := read(t, f, sector.Span(0, 1)); string(a.Data[:12]) != "another disc" {
		t.Errorf("the new disc begins with %q; want %q", a.Data[:12], "another disc")
	}
}

func TestHangWaitsForReal(t *testing.T) {
	f := NewFake(64, Options{})
	f.Hang(sector.Span(3, 1))
	hung := func() (context.Context, context.CancelFunc) { return context.WithCancel(t.Context()) }
	if err := f.Ask(sector.Span(0, 16)); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := hung()
	ended := make(chan error)
	go func() { _, err := f.Answer(ctx); ended <- err }()
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("Answer of a hang, cancelled = %v; want %v", err, context.Canceled)
	}
	go func() { _, err := f.Answer(t.Context()); ended <- err }()
	f.Release()
	if err := <-ended; err != nil {
		t.Errorf("Answer of a hang, released = %v; want nil", err)
	}
	f.Hang(sector.Span(3, 1))
	if err := f.Ask(sector.Span(0, 16)); err != nil {
		t.Fatal(err)
	}
	go func() { _, err := f.Answer(t.Context()); ended <- err }()
	f.Close()
	if err := <-ended; !errors.Is(err, device.ErrClosed) {
		t.Errorf("Answer of a hang, closed = %v; want %v", err, device.ErrClosed)
	}
}

func TestOldDataGoes(t *testing.T) {
	f := NewFake(64, Options{})
	first := read(t, f, sector.Span(0, 1))
	read(t, f, sector.Span(1, 1))
	for _, b := range first.Data {
		if b != 0xEE {
			t.Fatal("the data of an answer survived the next; want it spoiled, so that tests notice who keeps it")
		}
	}
}

func TestRestart(t *testing.T) {
	asked := 0
	var f *Fake
	f = NewFake(64, Options{OnAsk: func(r sector.Range) {
		if asked++; asked == 2 {
			f.Unplug()
		}
	}})
	read(t, f, sector.Span(0, 16))
	if a := read(t, f, sector.Span(16, 16)); class(a) != device.Gone {
		t.Errorf("answer after OnAsk unplugged the drive = %v; want drive gone", a.Err)
	}
	f.Close()
	f.Plug()
	f.Restart()
	if a := read(t, f, sector.Span(16, 16)); a.Err != nil || f.CountOf(16) != 2 || f.CountOf(0) != 1 {
		t.Errorf("after Restart: %v, counts %d and %d; want nil, 2 and 1", a.Err, f.CountOf(16), f.CountOf(0))
	}
	f.ResetCounts()
	if n := len(f.Requests()); n != 0 || f.CountOf(16) != 0 {
		t.Errorf("after ResetCounts: %d requests, count %d; want 0, 0", n, f.CountOf(16))
	}
}

func TestPatternIsPeculiar(t *testing.T) {
	seen := map[string]sector.LBA{}
	buf := make([]byte, sector.Size)
	for a := range sector.LBA(5000) {
		Pattern(a, buf)
		tail := string(buf[8:24]) // behind the address itself
		if other, ok := seen[tail]; ok {
			t.Fatalf("sectors %d and %d have the same words", a, other)
		}
		seen[tail] = a
	}
}
