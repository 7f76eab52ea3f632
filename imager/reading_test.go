package imager

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// heard is a listener that keeps what it hears.
type heard struct {
	events   []mapfile.Event
	progress []Progress
	onEvent  func(mapfile.Event)
}

func (h *heard) Event(e mapfile.Event) {
	h.events = append(h.events, e)
	if h.onEvent != nil {
		h.onEvent(e)
	}
}
func (h *heard) Progress(p Progress) { h.progress = append(h.progress, p) }

func (h *heard) count(kind string) int {
	n := 0
	for _, e := range h.events {
		if e.Kind == kind {
			n++
		}
	}
	return n
}

// states gives a map's states as text, for comparing.
func states(m *mapfile.Map) string {
	var b strings.Builder
	for _, s := range []mapfile.State{mapfile.Good, mapfile.Bad, mapfile.Untried} {
		set := m.In(s)
		for r := range set.Runs() {
			fmt.Fprintf(&b, "%d:%v ", s, r)
		}
	}
	return b.String()
}

// The verdicts: how a pass ends and what is marked, for each way in which a
// drive fails.
func TestVerdicts(t *testing.T) {
	const n = 256
	mark := func(s ...sector.Range) sector.Set { return sector.Of(s...) }
	for _, c := range []struct {
		name   string
		opts   devicetest.Options
		script func(f *devicetest.Fake)
		how    string
		bad    sector.Set
		good   int64
	}{
		{"clean", devicetest.Options{}, func(f *devicetest.Fake) {}, HowComplete, mark(), n},
		{"a medium error stands at once, even the last thing that happens", devicetest.Options{}, func(f *devicetest.Fake) {
			f.Fail(sector.Span(0, n), device.Medium, devicetest.Always)
		}, HowComplete, mark(sector.Span(0, n)), 0},
		{"EIO stands once another sector came after it", devicetest.Options{}, func(f *devicetest.Fake) {
			f.Fail(sector.Span(40, 1), device.Doubtful, devicetest.Always)
		}, HowComplete, mark(sector.Span(40, 1)), n - 1},
		{"EIO at the end of the disc stands by the identity read", devicetest.Options{}, func(f *devicetest.Fake) {
			f.Fail(sector.Span(240, 16), device.Doubtful, devicetest.Always)
		}, HowComplete, mark(sector.Span(240, 16)), n - 16},
		{"EIO everywhere marks nothing", devicetest.Options{}, func(f *devicetest.Fake) {
			f.Fail(sector.Span(0, n), device.Doubtful, devicetest.Always)
		}, HowGone, mark(), 0},
		{"unplugged in the middle", devicetest.Options{}, func(f *devicetest.Fake) { f.GoneAt(sector.Span(128, 1)) }, HowGone, mark(), 128 + 16}, // and the last block, where UDF may have an anchor
		{"a whole block that fails on a drive that decodes whole blocks is not split",
			devicetest.Options{NamesAddress: true, Info: device.Info{WholeBlocks: true}}, func(f *devicetest.Fake) {
				f.Fail(sector.Span(36, 1), device.Medium, devicetest.Always)
			}, HowComplete, mark(sector.Range{First: 36, End: 48}), n - 12},
		{"one stall costs its block only", devicetest.Options{NamesAddress: true, Info: device.Info{WholeBlocks: true, MaxSectors: 16}},
			func(f *devicetest.Fake) { f.Stall(sector.Span(64, 1), 1) }, HowComplete, mark(sector.Span(64, 16)), n - 16},
	} {
		t.Run(c.name, func(t *testing.T) {
			drive := devicetest.NewFake(n, c.opts)
			c.script(drive)
			d := newCutDisk(t, n, 1)
			cs := d.open(drive.Now)
			end, err := cs.Read(t.Context(), reading(drive))
			if err != nil || end.How != c.how {
				t.Errorf("Read() = %+v, %v; want %s, nil", end, err, c.how)
			}
			if bad := cs.m.In(mapfile.Bad); !bad.Equal(&c.bad) {
				t.Errorf("bad = %s; want %v", states(cs.m), c.bad)
			}
			if got := cs.m.Count(mapfile.Good); got != c.good {
				t.Errorf("good = %d; want %d", got, c.good)
			}
			d.close(cs)
			if got := cs.m.Passes()[0].How; got != c.how {
				t.Errorf("the pass of the map ended %q; want %q", got, c.how)
			}
		})
	}
}

// Doubtful failures of a drive that then goes away are not marked.
func TestDoubtIsDroppedWithTheDrive(t *testing.T) {
	drive := devicetest.NewFake(1024, devicetest.Options{})
	d := newCutDisk(t, 1024, 1)
	c := d.open(drive.Now)
	drive.Fail(sector.Span(512, 512), device.Doubtful, devicetest.Always)
	drive.GoneAt(sector.Span(768, 1))
	end, err := c.Read(t.Context(), reading(drive))
	if err != nil || end.How != HowGone {
		t.Fatalf("Read() = %+v, %v; want %s, nil", end, err, HowGone)
	}
	bad := c.m.In(mapfile.Bad)
	if b := bad.Bounds(); b.End > 768 && b.First >= 512 {
		// What failed before a later delivery stands; after the last one nothing does.
		t.Errorf("bad = %v; want nothing that only a vanished drive said", states(c.m))
	}
	d.close(c)
}

// An offline device answers EIO to everything at once. With something good in
// the image that is noticed by the identity read, long before the end.
func TestOfflineDeviceIsNoticed(t *testing.T) {
	const n = 64 * 1024
	drive := devicetest.NewFake(n, devicetest.Options{})
	d := newCutDisk(t, n, 1)
	c := d.open(drive.Now)
	drive.Fail(sector.Span(0, n), device.Doubtful, devicetest.Always)
	drive.Heal(sector.Span(0, 128))
	h := &heard{}
	r := reading(drive)
	r.Listener = h
	first := true
	h.onEvent = func(mapfile.Event) {
		if first { // the device goes offline with the first failure
			first = false
			drive.Fail(sector.Span(0, n), device.Doubtful, devicetest.Always)
		}
	}
	end, err := c.Read(t.Context(), r)
	if err != nil || end.How != HowGone {
		t.Fatalf("Read() = %+v, %v; want %s, nil", end, err, HowGone)
	}
	if got := c.m.Count(mapfile.Bad); got != 0 {
		t.Errorf("bad = %d; want 0", got)
	}
	if reqs := len(drive.Requests()); reqs > 2*doubtfulBeforeProof {
		t.Errorf("%d requests; want it noticed after about %d", reqs, doubtfulBeforeProof)
	}
	if h.count(KindIdentity) != 1 {
		t.Errorf("events = %v; want one identity read", h.events)
	}
	d.close(c)
}

// Another disc of the same size is refused before anything is written.
func TestAnotherDiscIsRefused(t *testing.T) {
	const n = 512
	drive := devicetest.NewFake(n, devicetest.Options{})
	drive.Fail(sector.Span(300, 100), device.Medium, devicetest.Always)
	d := newCutDisk(t, n, 1)
	c := d.open(drive.Now)
	if _, err := c.Read(t.Context(), reading(drive)); err != nil {
		t.Fatal(err)
	}
	before := bytes.Clone(d.image)
	other := func(a sector.LBA, buf []byte) {
		devicetest.Pattern(a+1e6, buf)
	}
	swapped := devicetest.NewFake(n, devicetest.Options{Content: other, Info: device.Info{Medium: "fake/2"}})
	end, err := c.Read(t.Context(), reading(swapped))
	if !errors.Is(err, ErrOtherDisc) || end.How != HowOtherDisc {
		t.Errorf("Read(another disc) = %+v, %v; want ErrOtherDisc", end, err)
	}
	if !bytes.Equal(before, d.image) {
		t.Error("the image was changed")
	}
	if n := len(swapped.Requests()); n != 1 {
		t.Errorf("%d requests; want the identity read only", n)
	}
	smaller := devicetest.NewFake(n-16, devicetest.Options{})
	if _, err := c.Read(t.Context(), reading(smaller)); !errors.Is(err, ErrOtherDisc) {
		t.Errorf("Read(smaller disc) = %v; want ErrOtherDisc", err)
	}
	// The same disc in an opening that nothing vouches for: one block is read.
	again := devicetest.NewFake(n, devicetest.Options{Info: device.Info{Node: "/dev/other", Medium: "fake/3"}})
	if end, err := c.Read(t.Context(), reading(again)); err != nil || end.How != HowComplete {
		t.Errorf("Read(the disc in another drive) = %+v, %v; want complete", end, err)
	}
	if got := c.m.Count(mapfile.Good); got != n {
		t.Errorf("good = %d; want %d", got, n)
	}
	d.close(c)
}

// No request covers a sector that the map calls good at that time: over kills,
// restarts, drives and rounds, and exactly. The one exception is the identity
// read, which is announced and counted.
func TestNoGoodSectorIsReadTwice(t *testing.T) {
	const n = 1024
	for seed := range uint64(20) {
		rnd := rand.New(rand.NewPCG(seed, 7))
		d := newCutDisk(t, n, seed)
		var asked, goodAsked, identityReads int
		drive := devicetest.NewFake(n, devicetest.Options{
			NamesAddress: seed%2 == 0,
			Info:         device.Info{WholeBlocks: seed%4 < 2, MaxSectors: 16 << (seed % 4)},
			OnAsk: func(r sector.Range) {
				asked++
				d.mu.Lock()
				defer d.mu.Unlock()
				if d.lastGood.Overlaps(r) {
					goodAsked++
				}
			},
		})
		for range 30 {
			class := []device.Class{device.Medium, device.Doubtful, device.Stalled}[rnd.IntN(3)]
			drive.Fail(sector.Span(sector.LBA(rnd.IntN(n)), 1+rnd.Int64N(20)).Intersect(sector.Span(0, n)), class, 1+rnd.IntN(3))
		}
		for range 40 {
			drive.Restart()
			c := d.open(drive.Now)
			ctx, cancel := context.WithCancel(t.Context())
			h := &heard{}
			stop := rnd.IntN(40)
			d.step, d.failAt, d.cut = 0, rnd.IntN(60), rnd.IntN(2) == 0
			h.onEvent = func(e mapfile.Event) {
				if e.Kind == KindIdentity {
					identityReads++
				}
				if stop--; stop == 0 {
					cancel()
				}
			}
			r := reading(drive)
			r.Listener = h
			_, err := c.Read(ctx, r)
			cancel()
			d.powerOn()
			if errors.Is(err, ErrNothingToAsk) {
				c = d.open(drive.Now)
				c.m.AddRound(mapfile.Round{Opened: drive.Now()})
				if err := c.commit(); err != nil {
					t.Fatal(err)
				}
			}
		}
		if goodAsked != identityReads {
			t.Errorf("seed %d: %d requests covered sectors that the map calls good; want the %d identity reads only",
				seed, goodAsked, identityReads)
		}
		if asked == 0 || d.lastGood.Empty() {
			t.Errorf("seed %d: %d requests, %d sectors good; want some", seed, asked, d.lastGood.Count())
		}
	}
}

// The same end: any size of request, number of restarts and checkpoint interval
// gives the same image and the same states.
func TestSameEnd(t *testing.T) {
	var wantStates string
	var wantImage []byte
	for seed := range uint64(24) {
		rnd := rand.New(rand.NewPCG(seed, 3))
		drive := scratched(devicetest.Options{Info: device.Info{MaxSectors: 16 << rnd.IntN(4), Depth: 1 + rnd.IntN(4)}})
		d := newCutDisk(t, scratchedSectors, seed)
		every := (1 + rnd.Int64N(300)) * sector.Size
		for range 200 {
			drive.Restart()
			c := d.open(drive.Now)
			ctx, cancel := context.WithCancel(t.Context())
			left := rnd.IntN(60)
			if seed == 0 {
				left = 1 << 30
			}
			r := reading(drive)
			r.CheckpointBytes = every
			r.Listener = stopAfter{cancel, &left}
			_, err := c.Read(ctx, r)
			cancel()
			d.close(c)
			if errors.Is(err, ErrNothingToAsk) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
		c := d.open(drive.Now)
		if seed == 0 {
			wantStates, wantImage = states(c.m), d.image
			continue
		}
		if got := states(c.m); got != wantStates {
			t.Errorf("seed %d: states %s; want %s", seed, got, wantStates)
		}
		if !bytes.Equal(d.image, wantImage) {
			t.Errorf("seed %d: another image", seed)
		}
	}
}

// stopAfter ends a pass after so many answers.
type stopAfter struct {
	cancel context.CancelFunc
	left   *int
}

func (s stopAfter) Event(mapfile.Event) {}
func (s stopAfter) Progress(Progress) {
	if *s.left--; *s.left == 0 {
		s.cancel()
	}
}

// While a read hangs, the listener hears of it, and an end that the user wants
// comes within the grace time.
func TestHangingReadCanBeLeft(t *testing.T) {
	drive := devicetest.NewFake(256, devicetest.Options{})
	drive.Hang(sector.Span(200, 1))
	d := newCutDisk(t, 256, 1)
	c := d.open(drive.Now)
	ctx, cancel := context.WithCancel(t.Context())
	r := reading(drive)
	h := &hangHeard{cancel: cancel}
	r.Listener = h
	end, err := c.Read(ctx, r)
	if err != nil || end.How != HowInterrupted {
		t.Errorf("Read() = %+v, %v; want interrupted, nil", end, err)
	}
	// The last block, where UDF may have an anchor, is asked for before.
	if got := c.m.Count(mapfile.Good); got < 128 || got > 200+16 {
		t.Errorf("good = %d; want what came before sector 200, and the last block", got)
	}
	if got := c.m.Count(mapfile.Bad); got != 0 {
		t.Errorf("bad = %d; want 0: the request in hand was given up, not answered", got)
	}
	d.close(c)
}

// hangHeard ends the pass when the drive works on the sector that hangs.
type hangHeard struct{ cancel context.CancelFunc }

func (h *hangHeard) Event(mapfile.Event) {}
func (h *hangHeard) Progress(p Progress) {
	if p.At.Contains(200) {
		h.cancel()
	}
}

// The budget ends a pass by the clock of the case.
func TestBudgetEndsThePass(t *testing.T) {
	drive := devicetest.NewFake(2048, devicetest.Options{PerSector: 10 * time.Millisecond})
	d := newCutDisk(t, 2048, 1)
	c := d.open(drive.Now)
	r := reading(drive)
	r.Budget = 5 * time.Second
	end, err := c.Read(t.Context(), r)
	if err != nil || end.How != HowBudget {
		t.Fatalf("Read() = %+v, %v; want budget", end, err)
	}
	good := c.m.Count(mapfile.Good)
	if good < 500 || good > 500+2*128 {
		t.Errorf("good = %d; want about 500 sectors for 5 s at 100 a second", good)
	}
	if s := c.m.Passes()[0].Seconds; s < 5 || s > 8 {
		t.Errorf("seconds = %v; want about 5", s)
	}
	d.close(c)
}
