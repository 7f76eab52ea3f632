package imager

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// An interrupted merge begins no pass only to end it.
func TestMergeInterruptedBetweenPasses(t *testing.T) {
	const n, passes = 512, 6
	b := newStation(t, "b", n, []sector.Range{span(64, n-64)}, nil)
	for i := range int64(passes - 1) { // each of them gives 64 sectors more
		x := newStation(t, fmt.Sprint("x", i), n, []sector.Range{span(sector.LBA(128+64*i), n-128-64*i)}, nil)
		b.merge(t, x)
	}
	for range 10 { // what is ready at the same time is taken by chance
		a := newStation(t, "a", n, []sector.Range{span(0, n)}, nil)
		ctx, cancel := context.WithCancel(t.Context())
		left := 1
		g := merging(b.source(t))
		g.Listener = stopAfter{cancel, &left}
		res, err := a.c.Merge(ctx, g)
		if err != nil || res.How != HowInterrupted || len(res.From[0].Passes) != 1 {
			t.Fatalf("Merge() = %+v, %v; want interrupted in its first pass of %d", res, err, passes)
		}
		a.close(a.c)
	}
}

// A merge can be ended; what came is saved, and the next merge goes on.
func TestMergeInterrupted(t *testing.T) {
	const n = 4096
	a := newStation(t, "a", n, []sector.Range{span(0, n)}, nil)
	b := newStation(t, "b", n, nil, nil)
	ctx, cancel := context.WithCancel(t.Context())
	left := 2
	g := merging(b.source(t))
	g.Listener = stopAfter{cancel, &left}
	res, err := a.c.Merge(ctx, g)
	if err != nil || res.How != HowInterrupted {
		t.Fatalf("Merge() = %+v, %v; want interrupted, nil", res, err)
	}
	a.close(a.c)
	good := a.c.m.Count(mapfile.Good)
	if good == 0 || good == n || a.c.m.Passes()[1].How != HowInterrupted {
		t.Errorf("good = %d, the pass ended %q; want some of %d, interrupted", good, a.c.m.Passes()[1].How, n)
	}
	res = a.merge(t, b)
	if from := res.From[0]; from.Won != n-good || a.c.m.Count(mapfile.Good) != n {
		t.Errorf("going on = %+v; want the other %d", from, n-good)
	}
}

// sweepStations is a case that lacks much, and one whose map holds all that a
// merge meets: passes of its own, merged ones, a conflict of its own, and other
// data than the first.
func sweepStations(t *testing.T) (a, b *station) {
	t.Helper()
	const n = 512
	a = newStation(t, "a", n, []sector.Range{span(300, 200)}, nil)
	b = newStation(t, "b", n, []sector.Range{span(0, 50), span(400, 60)}, []sector.LBA{100})
	third := newStation(t, "third", n, nil, []sector.LBA{110, 320})
	b.merge(t, third)
	return a, b
}

// The sweep: the power is cut, or the disk fails, at each step of a merge, of a case or
// of a pass file. The next merge ends with the same image, states and conflicts.
func TestMergeStoppedAtEveryStep(t *testing.T) {
	fresh, b := sweepStations(t)
	whole := fresh.duplicate(t, 0)
	whole.merge(t, b)
	if n := len(whole.c.m.Conflicts()); n != 3 {
		t.Fatalf("%d conflicts; want 3", n)
	}
	file := b.packed(t, Packing{})
	for name, source := range map[string]func(t *testing.T) *Source{
		"case": b.source, "pass file": func(t *testing.T) *Source { return passSource(t, file) },
	} {
		for _, cut := range []bool{true, false} {
			t.Run(name+"/"+map[bool]string{true: "power", false: "error"}[cut], func(t *testing.T) {
				for step := 0; mergeStopped(t, fresh, whole, source, step, cut); step++ {
				}
			})
		}
	}
}

// mergeStopped stops a merge at a step, and tells whether it got there.
func mergeStopped(t *testing.T, fresh, whole *station, source func(t *testing.T) *Source, step int, cut bool) bool {
	a := fresh.duplicate(t, uint64(step))
	a.step, a.failAt, a.cut = 0, step, cut
	res, err := a.c.Merge(t.Context(), merging(source(t)))
	if a.step <= step {
		if err != nil || step < 12 {
			t.Fatalf("merge without a fault = %+v, %v, %d steps; want nil, more than 12", res, err, a.step)
		}
		return false
	}
	if !errors.Is(err, errStep) {
		t.Errorf("step %d failed and Merge() = %v; want the injected error", step, err)
	}
	if cut {
		a.powerOn()
	} else {
		a.failAt = -1
		a.close(a.c)
	}
	a.c = a.open(a.c.now)
	a.take(t, source(t))
	if got, want := told(a.c.m), told(whole.c.m); got != want {
		t.Errorf("step %d: %s in the end; want %s", step, got, want)
	}
	if !bytes.Equal(a.image, whole.image) {
		t.Errorf("step %d: another image in the end", step)
	}
	return !t.Failed()
}
