package imager

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/simtest"
	"turnstone/ecc/cd"
	"turnstone/mapfile"
)

// rawDrive is a simulated drive with a CD in it that reads raw, honestly or not.
type rawDrive struct {
	*sim.Drive
	t     *testing.T
	c     *Case // whose good sectors must not be read; nil: not looked at
	habit func(*device.Raw, sector.LBA)
	fail  func(n int) error // instead of the n-th raw reading; nil: none
	raws  int
}

// ReadRaw implements device.RawReader.
func (d *rawDrive) ReadRaw(ctx context.Context, r sector.Range) (device.Raw, error) {
	d.raws++
	if d.fail != nil {
		if err := d.fail(d.raws); err != nil {
			return device.Raw{}, err
		}
	}
	out := device.Raw{Mode: 1, C2: []byte{}}
	for a := r.First; a < r.End; a++ {
		if d.c != nil && d.c.m.State(a) == mapfile.Good { // no checkpoint runs: none is due for an hour
			d.t.Errorf("sector %d was read raw, and is good", a)
		}
		raw, err := d.Drive.ReadRaw(ctx, a)
		if err != nil {
			return out, err
		}
		one := device.Raw{Data: raw.Data[:], C2: raw.C2[:]}
		if d.habit != nil {
			d.habit(&one, a)
		}
		out.Data = append(out.Data, one.Data...)
		if out.C2 = append(out.C2, one.C2...); one.C2 == nil {
			out.C2 = nil
		}
	}
	return out, nil
}

// compactDisc is a disc of the scenarios.
func compactDisc(t *testing.T, name string) *sim.Disc {
	t.Helper()
	return simtest.Load(t, filepath.Join("../testdata/scenarios/cd", name+".json"))
}

func opened(t *testing.T, d *sim.Disc, drive int) *rawDrive {
	t.Helper()
	v, err := d.Open(sim.Opening{Drive: drive})
	if err != nil {
		t.Fatal(err)
	}
	return &rawDrive{Drive: v, t: t}
}

// newCD is a case for a drive's disc.
func newCD(t *testing.T, r device.Reader) *Case {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "case")
	info := r.Info()
	c, err := Create(dir, Writer{Command: "test", CaseID: "raw", Now: clock}, mapfile.Disc{Kind: info.Kind, Sectors: info.Sectors,
		BlockSectors: int64(info.BlockSectors), Written: WrittenArea(info), Layers: info.Layers})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// reads runs a pass.
func reads(t *testing.T, c *Case, r device.Reader, more ...func(*Reading)) (Ending, *heard) {
	t.Helper()
	var h heard
	q := Reading{Reader: r, SameDisc: true, ToTheEnd: true, Listener: &h, CheckpointTime: time.Hour}
	for _, m := range more {
		m(&q)
	}
	end, err := c.Read(t.Context(), q)
	if err != nil && !errors.Is(err, ErrNothingToAsk) {
		t.Fatal(err)
	}
	return end, &h
}

// nearSpindle restricts a pass to the first sectors, so that it takes no time.
func nearSpindle(r *Reading) { r.Only = sector.Of(sector.Span(0, 400)) }

// hardest restricts it to where one of the marks is too much for drive A.
func hardest(r *Reading) { r.Only = sector.Of(sector.Span(2700, 800)) }

// truthful holds every good sector of the image against what lies on the disc.
func truthful(t *testing.T, c *Case, d *sim.Disc) {
	t.Helper()
	want, got := make([]byte, sector.Size), make([]byte, sector.Size)
	good := c.m.In(mapfile.Good)
	for r := range good.Runs() {
		for a := r.First; a < r.End; a++ {
			if err := d.ReadContent(a, want); err != nil {
				t.Fatal(err)
			}
			if err := c.disk.readImage(got, a); err != nil || !bytes.Equal(got, want) {
				t.Fatalf("sector %d is good and not what lies on the disc (%v)", a, err)
			}
		}
	}
}

func TestPutTogether(t *testing.T) {
	d := compactDisc(t, "scratched")
	r := opened(t, d, 0)
	c := newCD(t, r)
	r.c = c
	_, h := reads(t, c, r, hardest)
	truthful(t, c, d)
	repaired, most := c.m.Repaired(0)
	missing := c.m.Count(mapfile.Bad)
	if repaired < 20 || most < 3 || int64(h.count(KindRepaired)) != repaired {
		t.Errorf("put together %d sectors, of up to %d readings, %d events; want many, and an event each", repaired, most, h.count(KindRepaired))
	}
	st := StatusOf(c.m)
	if st.Repaired != repaired || st.Rounds[0].Passes[0].RepairReadings != most {
		t.Errorf("the status tells of %d repaired, %d readings; want %d, %d", st.Repaired, st.Rounds[0].Passes[0].RepairReadings, repaired, most)
	}
	s, err := openShelf(c.Dir)
	if err != nil {
		t.Fatal(err)
	}
	for a := range s.slots {
		if c.m.State(a) == mapfile.Good {
			t.Errorf("readings of sector %d are kept, and it is good", a)
		}
	}
	if len(s.slots) == 0 || missing == 0 {
		t.Fatalf("%d sectors have readings kept, %d are missing; want some", len(s.slots), missing)
	}
	s.close()

	// The same drive has nothing more to say of this surface; asked again it has, and
	// what is kept counts with it.
	if _, err := c.Read(t.Context(), Reading{Reader: r, SameDisc: true, ToTheEnd: true, Only: sector.Of(sector.Span(2700, 800))}); !errors.Is(err, ErrNothingToAsk) {
		t.Errorf("Read() once more = %v; want %v", err, ErrNothingToAsk)
	}
	before := r.raws
	reads(t, c, r, hardest, func(q *Reading) { q.Again = true })
	truthful(t, c, d)
	if more := c.m.Count(mapfile.Bad); r.raws == before || more >= missing {
		t.Errorf("asked again, %d of %d are missing still, after %d raw readings more; want fewer", more, missing, r.raws-before)
	}
	// A better drive brings the rest, and nothing is kept then.
	b := opened(t, d, 1)
	b.c = c
	reads(t, c, b, hardest)
	truthful(t, c, d)
	if n := c.m.Count(mapfile.Bad); n != 0 {
		t.Fatalf("%d sectors are missing after drive B; want none", n)
	}
	if _, err := os.Stat(filepath.Join(c.Dir, keptName, readingsName)); err == nil {
		t.Errorf("readings are kept of a disc that is whole")
	}
}

// Drives that lie: about their pointers, by other sectors, zeros, old buffers. None of it
// becomes good, and the habit is told.
func TestDrivesThatLie(t *testing.T) {
	var stale []byte
	for _, test := range []struct {
		name  string
		habit func(*device.Raw, sector.LBA)
		tells string
	}{
		{"always set", func(r *device.Raw, _ sector.LBA) { r.C2 = bytes.Repeat([]byte{0xFF}, device.C2Size) }, "always set"},
		{"never set", func(r *device.Raw, _ sector.LBA) { r.C2 = make([]byte, device.C2Size) }, "never set"},
		{"no pointers", func(r *device.Raw, _ sector.LBA) { r.C2 = nil }, ""},
		{"zeros", func(r *device.Raw, _ sector.LBA) { clear(r.Data); r.C2 = make([]byte, device.C2Size) }, "gives zeros"},
		{"scrambled", func(r *device.Raw, _ sector.LBA) { _ = cd.Scramble(r.Data) }, "scrambling"},
		{"an old buffer", func(r *device.Raw, _ sector.LBA) {
			if stale == nil {
				stale = bytes.Clone(r.Data)
			}
			r.Data, r.C2 = bytes.Clone(stale), make([]byte, device.C2Size)
		}, "what it read before instead"},
		{"the same again", func(r *device.Raw, a sector.LBA) {
			for i := range r.Data {
				r.Data[i] = byte(i) * byte(a)
			}
			r.C2 = bytes.Repeat([]byte{0x0F}, device.C2Size)
		}, "the same bad reading again"},
	} {
		t.Run(test.name, func(t *testing.T) {
			d := compactDisc(t, "scratched")
			r := opened(t, d, 0)
			r.habit = test.habit
			stale = nil
			c := newCD(t, r)
			_, h := reads(t, c, r, nearSpindle)
			truthful(t, c, d)
			var told []string
			for _, e := range h.events {
				if e.Kind == KindHabit {
					told = append(told, e.Text)
				}
			}
			if test.tells == "" && len(told) > 0 || test.tells != "" && (len(told) != 1 || !strings.Contains(told[0], test.tells)) {
				t.Errorf("told of %q; want one habit, %q", told, test.tells)
			}
			repaired, _ := c.m.Repaired(0)
			t.Logf("%d sectors were put together, %d are missing", repaired, c.m.Count(mapfile.Bad))
			if slices.Contains([]string{"zeros", "an old buffer", "the same again"}, test.name) && repaired > 1 {
				t.Errorf("%d sectors were put together of what says nothing; want none", repaired)
			}
		})
	}
	// A neighbour: the sector behind, whole and proven, with its own header.
	t.Run("a neighbour", func(t *testing.T) {
		d := compactDisc(t, "scratched")
		r := opened(t, d, 0)
		r.habit = func(raw *device.Raw, a sector.LBA) {
			other, err := r.Drive.ReadRaw(t.Context(), min(a+1, 3999))
			if err == nil {
				copy(raw.Data, other.Data[:])
				copy(raw.C2, other.C2[:])
			}
		}
		c := newCD(t, r)
		_, h := reads(t, c, r, nearSpindle)
		truthful(t, c, d)
		if repaired, _ := c.m.Repaired(0); repaired > 0 || h.count(KindHabit) == 0 {
			t.Errorf("put together %d sectors of neighbours, %d habits told; want 0, and one", repaired, h.count(KindHabit))
		}
	})
}

// A drive that can't read raw is asked once, and a pass is not begun for it.
func TestNoRawReading(t *testing.T) {
	d := compactDisc(t, "scratched")
	r := opened(t, d, 0)
	r.fail = func(int) error { return fmt.Errorf("raw: %w", device.ErrUnsupported) }
	c := newCD(t, r)
	_, h := reads(t, c, r)
	if r.raws != 1 || h.count(KindHabit) != 1 || c.m.Count(mapfile.Bad) == 0 {
		t.Errorf("%d raw readings, %d habits told, %d bad; want 1, 1, some", r.raws, h.count(KindHabit), c.m.Count(mapfile.Bad))
	}
	if _, err := c.Read(t.Context(), Reading{Reader: r, SameDisc: true, ToTheEnd: true}); !errors.Is(err, ErrNothingToAsk) || r.raws != 1 {
		t.Errorf("Read() once more = %v, %d raw readings; want %v, 1", err, r.raws, ErrNothingToAsk)
	}
}

// What goes wrong with the drive while it reads raw ends as it does elsewhere, and what
// came is saved.
func TestRawReadingFails(t *testing.T) {
	for _, test := range []struct {
		class device.Class
		how   string
	}{
		{device.Gone, HowGone}, {device.Changed, HowOtherDisc}, {device.Stalled, HowComplete}, {device.Medium, HowComplete},
		{device.Doubtful, HowComplete}, {device.Refused, HowComplete}, {device.Track, HowComplete},
	} {
		d := compactDisc(t, "scratched")
		r := opened(t, d, 0)
		r.fail = func(n int) error {
			if n == 12 {
				return &device.ReadError{Class: test.class, At: -1, Text: "invented"}
			}
			return nil
		}
		c := newCD(t, r)
		end, h := reads(t, c, r, nearSpindle)
		repaired, _ := c.m.Repaired(0)
		if end.How != test.how || repaired == 0 || int64(h.count(KindRepaired)) != repaired {
			t.Errorf("%v at the 12th raw reading: ended %q (%s), %d put together, %d events; want %q, some", test.class, end.How, end.Why, repaired, h.count(KindRepaired), test.how)
		}
		truthful(t, c, d)
	}
}

// Ctrl-C is heard between two raw readings.
func TestRawReadingIsInterrupted(t *testing.T) {
	d := compactDisc(t, "scratched")
	r := opened(t, d, 0)
	c := newCD(t, r)
	ctx, cancel := context.WithCancel(t.Context())
	r.fail = func(n int) error {
		if n == 30 {
			cancel()
		}
		return nil
	}
	end, err := c.Read(ctx, Reading{Reader: r, SameDisc: true, ToTheEnd: true})
	if err != nil || end.How != HowInterrupted || r.raws > 30+device.MostRaw {
		t.Errorf("Read() = %v, %v, after %d raw readings; want it interrupted at the 30th", end, err, r.raws)
	}
	truthful(t, c, d)
}

// With --only nothing else is read raw.
func TestRawOnly(t *testing.T) {
	d := compactDisc(t, "scratched")
	r := opened(t, d, 0)
	c := newCD(t, r)
	only := sector.Of(sector.Span(0, 500))
	reads(t, c, r, func(q *Reading) { q.Only = only })
	s, err := openShelf(c.Dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	for a := range s.slots {
		if !only.Contains(a) {
			t.Errorf("sector %d was read raw; want only 0 to 499", a)
		}
	}
	if n, _ := c.m.Repaired(0); n == 0 {
		t.Error("nothing was put together of sectors 0 to 499; want some")
	}
}
