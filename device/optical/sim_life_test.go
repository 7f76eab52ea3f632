package optical_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/optical"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/unit"
)

// A drive that lies about its disc's size, up and down. Capacities that reach up to 75
// blocks too far are known of real drives (Linux, sr.c).
func TestWrongCapacity(t *testing.T) {
	for _, test := range []struct {
		claims scsi.Capacity
		want   int64  // sectors; 0: refused
		what   string // by this
	}{
		{scsi.Capacity{Last: sectors - 1 + 75, BlockLen: 2048}, sectors + 75, ""},
		{scsi.Capacity{Last: 2*sectors - 1, BlockLen: 2048}, sectors, ""},
		{scsi.Capacity{Last: 99, BlockLen: 2048}, sectors, ""},
		{scsi.Capacity{}, sectors, ""},
		{scsi.Capacity{Last: 1<<32 - 1, BlockLen: 2352}, sectors, ""},
		{scsi.Capacity{Last: sectors - 1, BlockLen: 512}, 0, "512 bytes"},
	} {
		disc := unit.Pressed(whole(t), 0)
		disc.Claims = &test.claims
		r := &reader{m: simulated(t, disc, unit.Usual())}
		err := r.attach()
		if test.want == 0 {
			if err == nil || !strings.Contains(err.Error(), test.what) {
				t.Errorf("a disc that claims %+v: Attach() = %v; want it refused for %q", test.claims, err, test.what)
			}
			continue
		}
		if err != nil || r.info.Sectors != test.want {
			t.Errorf("a disc that claims %+v: %d sectors, %v; want %d", test.claims, r.info.Sectors, err, test.want)
			continue
		}
		if a := r.read(t, sector.Span(sectors-16, 16)); a.Err != nil {
			t.Errorf("a disc that claims %+v: its end = %v; want all", test.claims, a.Err)
		}
		if test.want > sectors {
			// No drive calls a place bad that lies beyond the disc.
			if a := r.read(t, sector.Span(sectors-16, 32)); a.Err == nil || a.Err.Class != device.Medium {
				t.Errorf("a disc that claims %+v: beyond its end = %v; want it refused", test.claims, a.Err)
			}
		}
	}
}

// What is recorded of discs that were not finalised.
func TestRecordedParts(t *testing.T) {
	open := unit.Recorded(whole(t), scsi.DVDRSeq, scsi.Appendable, 1600, 800)
	r := attach(t, simulated(t, open, unit.Usual()), optical.Options{})
	if r.info.Sectors != 2400 || len(r.info.Written) != 1 || r.info.Written[0] != sector.Span(0, 2400) || len(r.info.Notes) == 0 {
		t.Errorf("an open disc: %d sectors, %v written, notes %q; want 2400, all of them, and a note", r.info.Sectors, r.info.Written, r.info.Notes)
	}
	if a := r.read(t, sector.Span(2360, 40)); a.Err != nil {
		t.Errorf("the end of what is recorded = %v; want all", a.Err)
	}
	blank := &reader{m: simulated(t, unit.Recorded(whole(t), scsi.DVDPlusRW, scsi.Blank), unit.Usual())}
	if err := blank.attach(); err == nil || !strings.Contains(err.Error(), "blank") {
		t.Errorf("a blank disc: Attach() = %v; want it refused as blank", err)
	}
	cd := unit.Recorded(whole(t), scsi.CDR, scsi.Finalized, 1600, 1600, 1600)
	cd.Tracks[1].Kind, cd.Tracks[2].Kind = unit.FormTwo, unit.Sound
	for i := range cd.Tracks {
		cd.Tracks[i].Session = 1
	}
	r = attach(t, simulated(t, cd, unit.Usual()), optical.Options{})
	if r.info.Kind != "cd" || !slices.Equal(r.info.Written, []sector.Range{sector.Span(0, 1600)}) || len(r.info.Notes) != 2 {
		t.Errorf("a CD of data, form 2 and sound: %s, %v written, notes %q; want the data alone, and two notes", r.info.Kind, r.info.Written, r.info.Notes)
	}
	sound := unit.Recorded(whole(t), scsi.CDROM, scsi.Finalized, sectors)
	sound.Tracks[0].Kind = unit.Sound
	audio := &reader{m: simulated(t, sound, unit.Usual())}
	if err := audio.attach(); err == nil || !strings.Contains(err.Error(), "audio") {
		t.Errorf("an audio disc: Attach() = %v; want it refused as that", err)
	}
}

// Another disc under an open descriptor is noticed before a sector of it is delivered,
// by whatever is left to notice it by.
func TestAnotherDiscUnderAnOpenDescriptor(t *testing.T) {
	first, second := whole(t), whole(t, `"seed": 4`, `"seed": 5`)
	image := imageOf(t, first)
	swap := func(m *machine, disc *sim.Disc) {
		t.Helper()
		if err := m.Insert(unit.Pressed(disc, 0)); err != nil {
			t.Fatal(err)
		}
	}
	taken := func(m *machine) { // another program took the drive's word
		m.Unit.Wait(time.Minute)
		m.poll()
	}
	for _, test := range []struct {
		name     string
		numbered bool
		happens  func(m *machine)
		class    device.Class
	}{
		{"still spinning up", true, func(m *machine) { swap(m, second) }, device.Changed},
		{"the drive says so", true, func(m *machine) { swap(m, second); m.Unit.Wait(time.Minute) }, device.Changed},
		{"the kernel took it", true, func(m *machine) { swap(m, second); taken(m) }, device.Changed},
		{"still spinning up, no number", false, func(m *machine) { swap(m, second) }, device.Changed},
		{"the drive says so, no number", false, func(m *machine) { swap(m, second); m.Unit.Wait(time.Minute) }, device.Changed},
		{"another took it, no number, an event is left", false, func(m *machine) { swap(m, second); taken(m) }, device.Changed},
		{"the same disc, taken out and put in", true, func(m *machine) { swap(m, first); m.Unit.Wait(time.Minute) }, device.Changed},
		{"power off and on", true, func(m *machine) { m.PowerCycle() }, device.Changed},
		{"power off, a swap, power on", true, func(m *machine) { swap(m, second); m.PowerCycle(); m.Unit.Wait(time.Minute) }, device.Changed},
		{"taken out", true, func(m *machine) { m.Remove() }, device.Gone},
	} {
		for _, during := range []bool{false, true} {
			m := simulated(t, unit.Pressed(first, 0), unit.Usual())
			m.limit = 16 * sector.Size // a request of 16 sectors in one READ
			if during {
				m.limit = 4 * sector.Size // and in four
			}
			if !test.numbered {
				m.seq = 0
			}
			r := attach(t, m, optical.Options{})
			if a := r.read(t, sector.Span(0, 16)); a.Err != nil {
				t.Fatal(a.Err)
			}
			reads := 0
			m.before = func(c scsi.Command) {
				if c.Op() == scsi.OpRead10 {
					reads++
				}
				if c.Op() == scsi.OpRead10 && reads == 3 {
					m.before = nil
					test.happens(m)
				}
			}
			if !during {
				m.before = nil
				test.happens(m)
			}
			a := r.read(t, sector.Span(160, 16))
			if a.Err == nil || a.Err.Class != test.class || !bytes.Equal(a.Data, image[160*sector.Size:][:len(a.Data)]) || a.Err.Class == device.Changed && a.Good() > 0 && !during {
				t.Errorf("%s, within a request %v: %d sectors, %v; want class %v, and none of another disc", test.name, during, a.Good(), a.Err, test.class)
			}
			if a.Err != nil && a.Err.Last() {
				if err := r.Ask(sector.Span(0, 1)); !errors.Is(err, device.ErrClosed) {
					t.Errorf("%s: Ask after that = %v; want %v", test.name, err, device.ErrClosed)
				}
			}
		}
	}
}

// A disc with a unique identifier is known again.
func TestTheSameDiscIsKnownAgain(t *testing.T) {
	d := whole(t)
	recorded := func(id string) *unit.Medium {
		m := unit.Recorded(d, scsi.DVDRSeq, scsi.Finalized, sectors)
		m.Unique = []byte(id)
		return m
	}
	disc := recorded("invented 1")
	m := simulated(t, disc, unit.Usual())
	r := attach(t, m, optical.Options{})
	two := uint8(2)
	if err := r.set(device.Settings{Retries: &two, SpeedKBps: 5540}); err != nil {
		t.Fatal(err)
	}
	if err := m.Insert(disc); err != nil {
		t.Fatal(err)
	}
	m.Unit.Wait(time.Minute)
	if a := r.read(t, sector.Span(0, 16)); a.Err != nil {
		t.Errorf("the same disc, taken out and put in: %v; want it read on", a.Err)
	}
	if page, limit, _ := m.Settings(); page.ReadRetries != 2 || limit != 5540 {
		t.Errorf("the same disc: %d retries, cap %d; want 2 and 5540 again", page.ReadRetries, limit)
	}
	if err := m.Insert(recorded("invented 2")); err != nil {
		t.Fatal(err)
	}
	m.Unit.Wait(time.Minute)
	if a := r.read(t, sector.Span(0, 16)); a.Err == nil || a.Err.Class != device.Changed || a.Good() != 0 {
		t.Errorf("another disc of that kind: %d sectors, %v; want it noticed", a.Good(), a.Err)
	}
}

// A repeated attempt goes past the drive's cache: with FUA, or where the drive does
// not know that after the head was sent away.
func TestRepeatedAttempts(t *testing.T) {
	d := whole(t)
	medium := unit.Says{Sense: scsi.Sense{Key: 3, ASC: 0x11, ASCQ: 5}}
	for _, noFUA := range []bool{false, true} {
		k := unit.Usual()
		k.NoFUA = noFUA
		m := simulated(t, unit.Pressed(d, 0), k)
		r := attach(t, m, optical.Options{})
		m.At(sector.Span(100, 1), 2, medium)
		for i := range 3 {
			m.ClearLog()
			a := r.read(t, sector.Span(96, 16))
			if (a.Err == nil) != (i == 2) {
				t.Fatalf("attempt %d = %v; want two failures", i+1, a.Err)
			}
			var ops []scsi.Op
			fua := false
			for _, e := range m.Log() {
				if e.Range.Empty() && e.Op() != scsi.OpSeek10 {
					continue
				}
				ops = append(ops, e.Op())
				fua = fua || e.FUA && e.Sense.Key != scsi.IllegalRequest
			}
			sought := len(ops) > 1 && ops[len(ops)-2] == scsi.OpSeek10
			if fua != (i > 0 && !noFUA) || sought != (i > 0 && noFUA) {
				t.Errorf("no FUA %v, attempt %d: %v, FUA %v; want a repeat that goes past the cache", noFUA, i+1, ops, fua)
			}
		}
	}
}

// Sectors that got lost on their way, while transport and drive say that they came.
func TestSectorsThatDidNotCome(t *testing.T) {
	d := whole(t)
	m := simulated(t, unit.Pressed(d, 0), unit.Usual())
	r := attach(t, m, optical.Options{})
	m.At(sector.Span(100, 1), unit.Always, unit.Drops{})
	a := r.read(t, sector.Span(96, 16))
	if a.Err == nil || a.Good() != 4 || !bytes.Equal(a.Data, imageOf(t, d)[96*sector.Size:][:4*sector.Size]) {
		t.Errorf("a READ whose end is lost = %d sectors, %v; want 4 and a failure", a.Good(), a.Err)
	}
}

// Stalls as scenarios have them: the request is given up, the drive needs what it
// needs, comes back by whatever name, and reading goes on.
func TestStalls(t *testing.T) {
	for _, returns := range []string{"", "/dev/sim9"} {
		for _, needs := range []sim.Cure{sim.Waiting, sim.Reset, sim.Reload} {
			stall := `"stall": {"chance": 1, "min_s": 40, "max_s": 90, "needs": "` + string(needs) + `"`
			if returns != "" {
				stall += `, "returns_as": "` + returns + `"`
			}
			m := simulated(t, unit.Pressed(disc(t, `"stall": {"chance": 0`, stall), 0), unit.Usual())
			r := attach(t, m, optical.Options{})
			own := r.own(t)
			two := uint8(2)
			if err := r.set(device.Settings{Retries: &two}); err != nil {
				t.Fatal(err)
			}
			began := m.Now()
			a := r.read(t, sector.Span(0, 16)) // the track is lost there
			if a.Err == nil || a.Err.Class != device.Stalled || a.Good() != 0 || m.timeOuts != 1 {
				t.Fatalf("needs %s: read = %v after %d time-outs; want a stall after one", needs, a.Err, m.timeOuts)
			}
			if took := m.Now() - began; took < 30*time.Second {
				t.Errorf("needs %s: the host gave up after %v; want its time to pass", needs, took)
			}
			switch needs {
			case sim.Waiting:
				m.Unit.Wait(2 * time.Minute)
			case sim.Reset:
				if err := (&reader{m: m}).attach(); err == nil {
					t.Errorf("needs %s: Attach() before that = nil; want no answer", needs)
				}
				m.Reset()
			case sim.Reload:
				m.PowerCycle()
				m.Unit.Wait(time.Minute)
			}
			if returns != "" {
				if err := (&reader{m: m}).attach(); !errors.Is(err, unix.ENODEV) {
					t.Errorf("needs %s: Attach() by the old name = %v; want %v", needs, err, unix.ENODEV)
				}
				m.node = returns
			}
			if err := r.Reopen(t.Context()); err != nil {
				t.Fatalf("needs %s, returns as %q: Reopen() = %v; want nil", needs, returns, err)
			}
			good := sector.Span(4000, 16)
			for ; r.read(t, good).Err != nil; good = sector.Span(good.End, 16) {
				if good.End > 4700 {
					t.Fatalf("needs %s, returns as %q: nothing is read any more", needs, returns)
				}
			}
			if err := r.restore(own); err != nil {
				t.Errorf("needs %s: restore = %v; want nil", needs, err)
			}
		}
	}
}

func TestUnplugged(t *testing.T) {
	m := simulated(t, unit.Pressed(whole(t), 0), unit.Usual())
	r := attach(t, m, optical.Options{})
	m.At(sector.Span(100, 1), 1, unit.Unplugs{})
	if a := r.read(t, sector.Span(96, 16)); a.Err == nil || a.Err.Class != device.Gone || a.Good() != 0 {
		t.Errorf("read of a drive that is unplugged in the middle = %d sectors, %v; want it gone", a.Good(), a.Err)
	}
	if err := (&reader{m: m}).attach(); !errors.Is(err, unix.ENODEV) {
		t.Errorf("Attach() of a drive that is gone = %v; want %v", err, unix.ENODEV)
	}
	m.Plug("/dev/sim3")
	m.node = m.Node()
	if err := r.Reopen(t.Context()); err != nil {
		t.Fatalf("Reopen() of a drive that was plugged in again = %v; want nil", err)
	}
	if a := r.read(t, sector.Span(96, 16)); a.Err != nil {
		t.Errorf("read = %v; want all", a.Err)
	}
}
