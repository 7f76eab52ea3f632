package imager

import (
	"context"
	"errors"
	"testing"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// The kernel's sr driver cuts up to 75 sectors off the end of a disc that fails
// there: that is the same disc, and what it shows of it can be read. Any other
// device that shows less holds another one.
func TestDiscThatLacksItsEnd(t *testing.T) {
	const n = 512
	for _, c := range []struct {
		node  string
		shown int64
		same  bool
	}{
		{"/dev/sr0", n - 75, true}, {"/dev/sr0", n - 76, false}, {"/dev/sdb", n - 1, false}, {"/tmp/sr0", n - 1, false},
	} {
		d := newCutDisk(t, n, 1)
		first := devicetest.NewFake(n, devicetest.Options{Info: device.Info{Node: "/dev/sr9"}})
		first.Fail(sector.Span(64, 16), device.Medium, devicetest.Always)
		first.Fail(sector.Span(n-96, 96), device.Medium, devicetest.Always)
		cs := d.open(first.Now)
		if _, err := cs.Read(t.Context(), reading(first)); err != nil {
			t.Fatal(err)
		}
		cut := devicetest.NewFake(c.shown, devicetest.Options{Info: device.Info{Node: c.node, Medium: "fake/2"}})
		_, err := cs.Read(t.Context(), reading(cut))
		if !c.same {
			if !errors.Is(err, ErrOtherDisc) || len(cut.Requests()) > 0 {
				t.Errorf("Read(%s with %d of %d sectors) = %v, %d requests; want ErrOtherDisc, none", c.node, c.shown, n, err, len(cut.Requests()))
			}
			continue
		}
		if err != nil {
			t.Errorf("Read(%s with %d of %d sectors) = %v; want nil", c.node, c.shown, n, err)
		}
		if good, size := cs.m.Count(mapfile.Good), cs.m.Disc().Sectors; good != c.shown || size != n {
			t.Errorf("after Read(%s with %d sectors): good = %d, size = %d; want all that it shows, %d", c.node, c.shown, good, size, n)
		}
		d.close(cs)
	}
}

// resized is a drive whose disc shows another size once it is opened again.
type resized struct {
	*devicetest.Fake
	sectors int64
}

func (r resized) Reopen(ctx context.Context) error {
	r.Insert(r.sectors, devicetest.Pattern, "fake/1")
	return r.Fake.Reopen(ctx)
}

// Also between a stall and the reopening after it the kernel may take sectors off
// the end, or put them back: the pass goes on with the same disc as far as it is
// shown.
func TestDiscThatLacksItsEndAfterAStall(t *testing.T) {
	const n = 512
	for _, c := range []struct {
		node          string
		before, after int64
		same          bool
	}{
		{"/dev/sr0", n, n - 75, true}, {"/dev/sr0", n - 75, n, true}, {"/dev/sr0", n, n - 76, false}, {"/dev/sdb", n, n - 1, false},
	} {
		d := newCutDisk(t, n, 1)
		drive := devicetest.NewFake(c.before, devicetest.Options{Info: device.Info{Node: c.node}})
		drive.Stall(span(64, 1), 1)
		cs := d.open(drive.Now)
		end, err := cs.Read(t.Context(), reading(resized{drive, c.after}))
		if err != nil || (end.How == HowOtherDisc) == c.same {
			t.Errorf("%s with %d, then %d sectors: Read() = %+v, %v; want the same disc: %v, nil", c.node, c.before, c.after, end, err, c.same)
		}
		d.close(cs)
		if !c.same {
			continue
		}
		again := devicetest.NewFake(c.after, devicetest.Options{Info: device.Info{Node: c.node}})
		if _, err := cs.Read(t.Context(), reading(again)); err != nil && !errors.Is(err, ErrNothingToAsk) {
			t.Errorf("%s with %d, then %d sectors: the next Read() = %v; want nil", c.node, c.before, c.after, err)
		}
		if good := cs.m.Count(mapfile.Good); good < c.after-16 {
			t.Errorf("%s with %d, then %d sectors: good = %d; want all that it shows, but for the block of the stall", c.node, c.before, c.after, good)
		}
		d.close(cs)
	}
}

// A drive is known again by what it has read itself: what another drive has, and
// this one can't read, would make its disc an unknown one.
func TestIdentityBlockIsTheDrivesOwn(t *testing.T) {
	const n = 1024
	a := newStation(t, "a", n, []sector.Range{span(100, n-100)}, nil)
	b := newStation(t, "b", n, nil, nil)
	a.merge(t, b)
	if got, own := identityBlock(a.c.m, 0), span(0, 100); !own.Covers(got) {
		t.Errorf("identityBlock(the drive of the case) = %v; want one in %v", got, own)
	}
	if got := identityBlock(a.c.m, 1); got.Count() != 16 || got.First < 256 {
		t.Errorf("identityBlock(another drive) = %v; want one in the middle of all", got)
	}
	again := devicetest.NewFake(n, devicetest.Options{Info: device.Info{Node: "/dev/a", Medium: "fake/2"}})
	again.Fail(span(100, n-100), device.Medium, devicetest.Always)
	if _, err := a.c.Read(t.Context(), reading(again)); !errors.Is(err, ErrNothingToAsk) {
		t.Errorf("Read() = %v; want ErrNothingToAsk", err)
	}
}

// What came only with more work than usual, or was put together from raw readings, which no
// READ brings, is no block to know a disc by, unless there is no other.
func TestIdentityBlockCameEasily(t *testing.T) {
	const n = 1024
	for _, easy := range []sector.Range{span(64, 32), span(0, 0)} {
		drive := devicetest.NewFake(n, devicetest.Options{})
		drive.Weaken(span(0, n), devicetest.Always)
		drive.Heal(easy)
		c := made(t, n)
		if _, err := c.Read(t.Context(), Reading{Reader: drive}); err != nil {
			t.Fatal(err)
		}
		got := identityBlock(c.m, 0)
		if got.Count() != 16 || !easy.Empty() && got.Intersect(easy) != got {
			t.Errorf("identityBlock() = %v; want a block, in %v unless that is empty", got, easy)
		}
	}
	// Of two passes, of which the second one's sectors were put together, here or elsewhere;
	// and what another drive brought easily comes after what this one brought at all.
	for _, how := range []mapfile.Result{mapfile.Delivered, mapfile.Merged} {
		c := made(t, n)
		own, other := span(128, 32), span(512, 64)
		for _, name := range []string{"one", "two"} {
			c.m.AddDrive(mapfile.Drive{Node: "/dev/" + name, Model: name})
		}
		for drive, r := range []sector.Range{own, other} {
			from := drive
			if how == mapfile.Merged && drive == 1 {
				from = -1
			}
			pass, err := c.m.AddPass(mapfile.Pass{Drive: from})
			if err != nil {
				t.Fatal(err)
			}
			run := mapfile.Run{Range: r, Result: mapfile.Delivered, Attempts: 1}
			if drive == 1 {
				run.Result, run.Attempts = how, mapfile.RepairedAttempts(5)
			}
			sums := make([]uint32, r.Count())
			for i := range sums {
				sums[i] = uint32(r.First) + uint32(i)
			}
			if _, err := c.m.Record(pass, run, sums); err != nil {
				t.Fatal(err)
			}
		}
		for drive := range 3 {
			if got := identityBlock(c.m, drive); got.Count() != 16 || !own.Covers(got) && !(drive == 1 && how == mapfile.Delivered && other.Covers(got)) {
				t.Errorf("%v: identityBlock(drive %d) = %v; want one in %v, which came easily, or what the drive has read itself", how, drive, got, own)
			}
		}
	}
}

// A case whose disc's kind was not known learns it, and its block with it.
func TestKindIsLearned(t *testing.T) {
	const n = 256
	d := newCutDisk(t, n, 1)
	drive := devicetest.NewFake(n, devicetest.Options{})
	cs := d.open(drive.Now)
	r := reading(drive)
	r.Only = sector.Of(sector.Span(0, 64))
	if _, err := cs.Read(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	bd := devicetest.NewFake(n, devicetest.Options{Info: device.Info{Kind: "bd", BlockSectors: 32, WholeBlocks: true}})
	if _, err := cs.Read(t.Context(), reading(bd)); err != nil {
		t.Fatal(err)
	}
	if disc := cs.m.Disc(); disc.Kind != "bd" || disc.BlockSectors != 32 {
		t.Errorf("disc = %q in blocks of %d; want bd, 32", disc.Kind, disc.BlockSectors)
	}
	d.close(cs)
	dvd := devicetest.NewFake(n, devicetest.Options{Info: device.Info{Kind: "dvd"}})
	if _, err := cs.Read(t.Context(), reading(dvd)); !errors.Is(err, ErrOtherDisc) {
		t.Errorf("Read(a DVD) = %v; want ErrOtherDisc", err)
	}
}

// An identity read is on record also where nothing was left to ask after it.
func TestIdentityReadIsRecorded(t *testing.T) {
	const n = 256
	d := newCutDisk(t, n, 1)
	drive := devicetest.NewFake(n, devicetest.Options{})
	cs := d.open(drive.Now)
	if _, err := cs.Read(t.Context(), reading(drive)); err != nil {
		t.Fatal(err)
	}
	again := devicetest.NewFake(n, devicetest.Options{Info: device.Info{Medium: "fake/2"}})
	if _, err := cs.Read(t.Context(), reading(again)); !errors.Is(err, ErrNothingToAsk) {
		t.Fatalf("Read() = %v; want ErrNothingToAsk", err)
	}
	recorded := 0
	for range eventsOf(t, d.mapPath, KindIdentity) {
		recorded++
	}
	if asked := len(again.Requests()); asked != 1 || recorded != asked {
		t.Errorf("%d identity reads, %d on record; want 1, 1", asked, recorded)
	}
	d.close(cs)
}

// eventsOf are the events of a kind that a map on the disk holds.
func eventsOf(t *testing.T, path, kind string) []mapfile.Event {
	t.Helper()
	var out []mapfile.Event
	err := mapfile.Events(path, func(e mapfile.Event) bool {
		if e.Kind == kind {
			out = append(out, e)
		}
		return true
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// The block that is to show that it is the case's disc may lie under the haze that a
// treatment left: each new start asks for another one, far from those that did not come,
// and none for more than one.
func TestIdentityBlockUnderAHaze(t *testing.T) {
	const n = 1600
	d := newCutDisk(t, n, 1)
	first := devicetest.NewFake(n, devicetest.Options{})
	first.Fail(span(1584, 16), device.Medium, devicetest.Always)
	cs := d.open(first.Now)
	if _, err := cs.Read(t.Context(), reading(first)); err != nil {
		t.Fatal(err)
	}
	d.close(cs)
	hazy := identityBlock(cs.m, 0)
	haze := sector.Range{First: hazy.First - 8, End: hazy.End + 8}
	for start := range 2 {
		cs := d.open(first.Now)
		again := devicetest.NewFake(n, devicetest.Options{Info: device.Info{Medium: "fake/2"}})
		again.Fail(haze, device.Medium, devicetest.Always)
		_, err := cs.Read(t.Context(), reading(again))
		asked := again.Requests()[0].Range
		switch start {
		case 0:
			if !errors.Is(err, ErrUnproven) || asked != hazy || len(again.Requests()) != 1 {
				t.Errorf("the first Read() = %v after %v; want ErrUnproven after %v alone", err, again.Requests(), hazy)
			}
		case 1: // it is known again, and what is missing has failed on this surface before
			if !errors.Is(err, ErrNothingToAsk) || !asked.Intersect(haze).Empty() || !asked.Intersect(span(1584, 16)).Empty() {
				t.Errorf("the next Read() = %v, and asked first for %v; want ErrNothingToAsk, since the disc is known, and a good block outside of %v", err, asked, haze)
			}
		}
		d.close(cs)
	}
}
