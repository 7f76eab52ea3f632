package imager

import (
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
