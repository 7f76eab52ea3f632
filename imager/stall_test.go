package imager

import (
	"context"
	"slices"
	"strings"
	"testing"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// anyDisc is a drive of which nothing tells whether its disc was changed.
type anyDisc struct{ *devicetest.Fake }

func (u anyDisc) Info() device.Info {
	info := u.Fake.Info()
	info.Medium = ""
	return info
}

// Two stalls without an answer between them may be the places' or the drive's: a good
// block tells. Where it comes the pass goes on; where it does not, or there is none, the
// drive answers nowhere and the pass ends, and only what it stalled at counts as asked for.
func TestStallsRunning(t *testing.T) {
	const n = 4096
	block := func(b int64) sector.Range { return span(sector.LBA(16*b), 16) }
	two := func(f *devicetest.Fake) { // on neighbouring places in the order of reading
		f.Stall(block(64), devicetest.Always)
		f.Stall(block(65), devicetest.Always)
	}
	whole := span(0, n)
	for _, test := range []struct {
		name     string
		script   func(*devicetest.Fake)
		then     func(*devicetest.Fake) // at the second stall
		before   bool                   // another drive has read a part
		anyDisc  bool
		how, why string
		stalls   int
		opened   int
		identity int
		bad      int64
	}{
		{name: "a good block comes", script: two, how: HowComplete, stalls: 2, opened: 2, identity: 1, bad: 32},
		{name: "a good block of another drive comes", before: true, script: func(f *devicetest.Fake) {
			two(f)
			f.Stall(block(32), devicetest.Always) // the first that it is asked for, with the one behind
			f.Stall(block(33), devicetest.Always)
		}, how: HowComplete, stalls: 4, opened: 4, identity: 2, bad: 64},
		{name: "a good block stalls", script: two, then: func(f *devicetest.Fake) { f.Stall(whole, devicetest.Always) },
			how: HowStalled, why: "nor did it give a good block then: read ", stalls: 2, opened: 2, identity: 1, bad: 32},
		{name: "a good block fails", script: two, then: func(f *devicetest.Fake) { f.Fail(whole, device.Medium, devicetest.Always) },
			how: HowStalled, why: "nor did it give a good block then: read ", stalls: 2, opened: 2, identity: 1, bad: 32},
		{name: "the drive goes away", script: two, then: func(f *devicetest.Fake) { f.GoneAt(whole) },
			how: HowGone, why: "after a stall: read ", stalls: 2, opened: 2, identity: 1, bad: 32},
		{name: "another disc lies in it", script: two, then: func(f *devicetest.Fake) {
			f.Insert(n, func(a sector.LBA, buf []byte) { devicetest.Pattern(a+1e6, buf) }, "fake/1")
		}, how: HowOtherDisc, why: "after a stall: ", stalls: 2, opened: 2, identity: 1, bad: 32},
		{name: "nothing is good", script: func(f *devicetest.Fake) { f.Stall(whole, devicetest.Always) },
			how: HowStalled, why: "no sector is good yet", stalls: 2, opened: 1, bad: 32},
		{name: "nothing but good blocks comes", script: func(f *devicetest.Fake) { f.Stall(span(n/4, n*3/4), devicetest.Always) },
			how: HowStalled, why: "at 16 places running", stalls: stallsInVain, opened: stallsInVain - 1, identity: stallsInVain/stallsRunning - 1, bad: 16 * stallsInVain},
		{name: "each opening needs a good block anyway", script: two, anyDisc: true, how: HowComplete, stalls: 2, opened: 2, identity: 2, bad: 32},
		{name: "sectors come between", script: func(f *devicetest.Fake) {
			f.Stall(block(64), devicetest.Always)
			f.Stall(block(68), devicetest.Always)
		}, how: HowComplete, stalls: 2, opened: 2, bad: 32},
		{name: "failures of the disc come between", script: func(f *devicetest.Fake) {
			f.Fail(block(64), device.Medium, devicetest.Always)
			f.Fail(block(65), device.Medium, devicetest.Always)
			f.Fail(block(66), device.Medium, devicetest.Always)
			f.Stall(block(63), devicetest.Always)
			f.Stall(block(67), devicetest.Always)
		}, how: HowComplete, stalls: 2, opened: 2, bad: 5 * 16},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			d := newCutDisk(t, n, 1)
			asked := 0 // requests that cover good sectors
			drive := devicetest.NewFake(n, devicetest.Options{Info: device.Info{MaxSectors: 16, WholeBlocks: true},
				OnAsk: func(r sector.Range) {
					d.mu.Lock()
					defer d.mu.Unlock()
					if d.lastGood.Overlaps(r) {
						asked++
					}
				}})
			c := d.open(drive.Now)
			if test.before {
				r := reading(devicetest.NewFake(n, devicetest.Options{Info: device.Info{Node: "/dev/other"}}))
				r.Only = sector.Of(span(0, n/8))
				if _, err := c.Read(t.Context(), r); err != nil {
					t.Fatal(err)
				}
			}
			test.script(drive)
			h := &heard{}
			h.onEvent = func(e mapfile.Event) {
				if e.Kind == KindStall && h.count(KindStall) == 2 && test.then != nil {
					test.then(drive)
				}
			}
			r := reading(drive)
			if r.Listener = h; test.anyDisc {
				r.Reader = anyDisc{drive}
			}
			end, err := c.Read(t.Context(), r)
			if err != nil || end.How != test.how || !strings.Contains(end.Why, test.why) {
				t.Errorf("Read() = %+v, %v; want it ended as %q, since %q", end, err, test.how, test.why)
			}
			got := []int{h.count(KindStall), h.count(KindReopened), h.count(KindIdentity)}
			if want := []int{test.stalls, test.opened, test.identity}; !slices.Equal(got, want) {
				t.Errorf("stalls, openings, identity reads = %v; want %v", got, want)
			}
			if asked != test.identity {
				t.Errorf("%d requests covered good sectors; want the %d identity reads alone", asked, test.identity)
			}
			if bad := c.m.Count(mapfile.Bad); bad != test.bad {
				t.Errorf("bad = %d; want %d", bad, test.bad)
			}
			if good := c.m.Count(mapfile.Good); test.how == HowComplete && good != n-test.bad {
				t.Errorf("good = %d; want all but what is bad, %d", good, n-test.bad)
			}
			d.close(c)
		})
	}
}

// Good blocks that are to show that the drive answers lie apart from where it gave no
// answer, and from each other: what it has just read it may bring without the disc.
func TestGoodBlocksLieApart(t *testing.T) {
	const n, half = 16 * 1024, 512
	middle := span(n/2-half, 2*half) // good blocks are looked for beside it first
	drive := devicetest.NewFake(n, devicetest.Options{Info: device.Info{MaxSectors: 16}})
	drive.Stall(middle, devicetest.Always)
	c := made(t, n)
	rest := sector.Of(span(0, n))
	rest.Remove(middle)
	if _, err := c.Read(t.Context(), Reading{Reader: drive, Only: rest}); err != nil {
		t.Fatal(err)
	}
	h := &heard{}
	if end, err := c.Read(t.Context(), Reading{Reader: drive, Listener: h}); err != nil || end.How != HowStalled {
		t.Fatalf("Read() = %+v, %v; want it stalled", end, err)
	}
	var before []sector.Range
	for _, e := range h.events {
		if e.Kind == KindIdentity && about(before, n).Overlaps(e.Range) {
			t.Errorf("good block %v after %v; want it apart from them", e.Range, before)
		}
		if e.Kind == KindIdentity || e.Kind == KindStall {
			before = append(before, e.Range)
		}
	}
	if got, want := h.count(KindIdentity), stallsInVain/stallsRunning-1; got != want {
		t.Errorf("%d good blocks were read; want %d", got, want)
	}
}

// While a good block is waited for the listener hears of it, and the user can end the pass.
// It did not end in the silence of the place before: the drive was brought back from that.
func TestGoodBlockCanBeLeft(t *testing.T) {
	const n = 4096
	drive := devicetest.NewFake(n, devicetest.Options{Info: device.Info{MaxSectors: 16}})
	drive.Stall(span(1024, 32), devicetest.Always)
	c := made(t, n)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	l := &leaver{drive: drive, cancel: cancel}
	end, err := c.Read(ctx, Reading{Reader: drive, Listener: l})
	if err != nil || end.How != HowInterrupted || !l.told.Overlaps(span(0, n)) {
		t.Errorf("Read() = %+v, %v, told of a good block %v; want it interrupted when that was told of", end, err, l.told)
	}
	if got := c.m.Passes()[end.Pass].Silence; got != nil {
		t.Errorf("silence = %+v; want none", got)
	}
}

// leaver ends a pass when it is told of a good block, which hangs.
type leaver struct {
	heard
	drive  *devicetest.Fake
	cancel context.CancelFunc
	told   sector.Set
}

func (l *leaver) Event(e mapfile.Event) {
	if l.heard.Event(e); l.count(KindStall) == 2 {
		l.drive.Hang(span(0, 4096))
	}
}

func (l *leaver) Progress(p Progress) {
	if p.Doing == goodBlock {
		l.told.Add(p.At)
		l.cancel()
	}
}
