package child

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
)

// holds checks an answer: which sectors came, in how far it is right, and how it ended.
func holds(t *testing.T, a device.Answer, good int64, class device.Class, failed sector.Range) {
	t.Helper()
	got, part := device.Class(0), sector.Range{}
	if a.Err != nil {
		got, part = a.Err.Class, a.Err.Asked
	}
	if a.Good() != good || got != class || part != failed {
		t.Errorf("answer to %v = %d good, class %d for %v (%v); want %d, class %d for %v",
			a.Asked, a.Good(), got, part, a.Err, good, class, failed)
	}
	want := make([]byte, sector.Size)
	for i := range sector.LBA(a.Good()) {
		devicetest.Pattern(a.Asked.First+i, want)
		if string(a.Data[i.Offset():][:sector.Size]) != string(want) {
			t.Fatalf("answer to %v: sector %d has other bytes than the disc", a.Asked, a.Asked.First+i)
		}
	}
}

// Of a request in several parts that is kept which came before one fails, never ends, or
// takes the process along; what is behind that one was not asked for.
func TestPartsBeforeAFailureAreKept(t *testing.T) {
	var c bell
	r := start(t, drive{Piece: 16, Wild: true}, c.afterFunc)
	ask(t, r, sector.Span(468, 48), sector.Span(660, 64))
	a := take(t, r)
	holds(t, a, 32, device.Medium, sector.Span(500, 16))
	if a.Err.At != 500 || a.Last <= 0 || a.Last > a.Took {
		t.Errorf("answer fails at %d and took %v, of which %v; want 500, and the part that failed", a.Err.At, a.Took, a.Last)
	}
	a = take(t, r)
	holds(t, a, 64, 0, sector.Range{})
	if want := []sector.Range{sector.Span(692, 16)}; !reflect.DeepEqual(a.Weak, want) {
		t.Errorf("weak = %v; want the part with sector 700, %v", a.Weak, want)
	}

	ask(t, r, sector.Span(hangs-40, 64), sector.Span(0, 64))
	r.awaitPart(t, sector.Span(hangs-8, 16))
	r.stall.rung.Store(true) // an hour has passed, but not for this part
	r.p.interrupt()
	if _, err := r.Answer(ended(t)); err == nil {
		t.Error("Answer() while a part is young = an answer; want none")
	}
	r.config.Stall = 1
	c.strike()
	holds(t, take(t, r), 32, device.Stalled, sector.Span(hangs-8, 16))
	if _, err := r.Answer(t.Context()); !errors.Is(err, device.ErrIdle) {
		t.Errorf("Answer() behind a stall = %v; want %v", err, device.ErrIdle)
	}

	r.config.Stall = time.Hour
	if err := r.Reopen(t.Context()); err != nil {
		t.Fatal(err)
	}
	ask(t, r, sector.Span(crashes-32, 64))
	holds(t, take(t, r), 32, device.Gone, sector.Span(crashes, 16))
}

// awaitPart waits until the child is at a part of the oldest request.
func (r *Reader) awaitPart(t *testing.T, part sector.Range) {
	t.Helper()
	for r.p.course(r.pending[0]).part != part {
		runtime.Gosched()
	}
}

// Finish ends a request behind the part that the drive is at, and the one behind it
// before its first.
func TestFinishBetweenParts(t *testing.T) {
	path := filepath.Join(t.TempDir(), "open")
	r := start(t, drive{Piece: 16, Gate: path}, nil)
	ask(t, r, sector.Span(gate-20, 64), sector.Span(0, 64))
	r.awaitPart(t, sector.Span(gate-4, 16))
	r.Finish(time.Hour)
	r.Finish(time.Hour) // says nothing new
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	holds(t, take(t, r), 32, 0, sector.Range{})
	holds(t, take(t, r), 0, 0, sector.Range{})
	if _, err := r.Answer(t.Context()); !errors.Is(err, device.ErrIdle) {
		t.Errorf("Answer() behind Finish = %v; want %v", err, device.ErrIdle)
	}
	ask(t, r, sector.Span(0, 64))
	holds(t, take(t, r), 64, 0, sector.Range{})
}

// Where the part does not end in time it is left behind: what came before is there at
// once, and the drive can be called and asked when it answers again.
func TestFinishWhileTheDriveIsBusy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "open")
	var c bell
	r := start(t, drive{Piece: 16, Wild: true, Gate: path}, c.afterFunc)
	ask(t, r, sector.Span(gate-20, 64), sector.Span(0, 64))
	r.awaitPart(t, sector.Span(gate-4, 16))
	r.Finish(time.Hour)
	r.finish.rung.Store(true) // the time is over
	began := r.p.course(r.pending[0]).began
	a := take(t, r)
	holds(t, a, 16, 0, sector.Range{})
	if most := time.Duration(newClock().now() - began); a.Silent <= 0 || a.Silent > most {
		t.Errorf("silent = %v; want above 0, and no more than %v, since its second part began", a.Silent, most)
	}
	a = take(t, r)
	holds(t, a, 0, 0, sector.Range{})
	if a.Silent != 0 {
		t.Errorf("silent = %v about a request that it was not at; want 0", a.Silent)
	}
	if err := r.Ask(sector.Span(0, 16)); !errors.Is(err, device.ErrFull) {
		t.Errorf("Ask while the drive is busy with what was left = %v; want %v", err, device.ErrFull)
	}
	called := make(chan error)
	go func() { _, err := r.Call(t.Context(), "echo", nil); called <- err }()
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := <-called; err != nil {
		t.Errorf("Call behind what was left = %v; want nil", err)
	}
	ask(t, r, sector.Span(16, 64))
	holds(t, take(t, r), 64, 0, sector.Range{})

	ask(t, r, sector.Span(hangs-40, 64))
	r.awaitPart(t, sector.Span(hangs-8, 16))
	r.Finish(time.Hour)
	r.finish.rung.Store(true)
	holds(t, take(t, r), 32, 0, sector.Range{})
	r.config.Stall = 1
	c.strike()
	if _, err := r.Call(t.Context(), "echo", nil); err == nil {
		t.Error("Call of a drive that hangs = nil; want a stall")
	}
}

// A trail says nothing of another request than the one that it is of.
func TestTrail(t *testing.T) {
	tr := words(make([]byte, pageBytes))[:trailParts+2]
	r := sector.Span(1000, 100)
	trail(tr).start(7)
	trail(tr).begin(0, 30, 5)
	if got := trail(tr).course(8, r); !reflect.DeepEqual(got, course{}) {
		t.Errorf("course of another request = %+v; want none", got)
	}
	if got := trail(tr).course(7, r).silent(r.First, 8); got != 3 {
		t.Errorf("silent = %d ns at 8 about a part begun at 5; want 3", got)
	}
	trail(tr).end(30, true, 9)
	if got := trail(tr).course(7, r).silent(r.First, 10); got != 0 {
		t.Errorf("silent = %d ns between two parts; want 0", got)
	}
	trail(tr).begin(30, 60, 11)
	got := trail(tr).course(7, r)
	if long := got.silent(r.First, 100); long != 89 {
		t.Errorf("silent = %d ns at 100 about a part begun at 11; want 89", long)
	}
	want := course{parts: 1, good: 30, weak: []sector.Range{sector.Span(1000, 30)}, part: sector.Span(1030, 30), began: 11, last: 4}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("course = %+v; want %+v", got, want)
	}
	if trail(tr).full() {
		t.Error("full() with room for another part = true; want false")
	}
	trail(tr).end(45, false, 12)
	if got := trail(tr).course(7, r); !trail(tr).full() || got.good != 45 || len(got.weak) != 1 {
		t.Errorf("course = %+v, full %v; want 45 good, and no room", got, trail(tr).full())
	}
	if got := trail(tr).course(7, sector.Span(1000, 40)); got.good != 40 || !sector.Span(1000, 40).Covers(got.part) {
		t.Errorf("course of a shorter request = %+v; want nothing outside it", got)
	}
}
