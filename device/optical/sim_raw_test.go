package optical_test

import (
	"bytes"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/optical"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/simtest"
	"turnstone/device/sim/unit"
	"turnstone/ecc/cd"
)

// compact is a drive with one of the scenarios' CDs in it, or one without a scratch.
func compact(t testing.TB, name string, k unit.Make) (*optical.Near, *machine) {
	t.Helper()
	var d *sim.Disc
	if name != "" {
		d = simtest.Load(t, filepath.Join("../../testdata/scenarios/cd", name+".json"))
	} else {
		d = simtest.Disc(t, `{"disc": {"kind": "cd", "sectors": 4000}, "drives": [{"name": "A"}], "rounds": [{}]}`)
	}
	m := simulated(t, unit.Compact(d, 0), k)
	r, err := optical.OpenNear(m, m, optical.Options{Node: m.node, Stall: 30 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	return r, m
}

func TestRawSectors(t *testing.T) {
	r, m := compact(t, "", unit.Usual())
	raw, err := r.ReadRaw(t.Context(), sector.Span(3000, 24))
	if err != nil || raw.Sectors() != 24 || len(raw.C2) != 24*device.C2Size || raw.Mode != 1 {
		t.Fatalf("ReadRaw() = %d sectors, %d bytes of pointers, mode %d, %v; want 24 with theirs, mode 1", raw.Sectors(), len(raw.C2), raw.Mode, err)
	}
	for i := range 24 {
		s := raw.Data[i*device.RawSize:][:device.RawSize]
		if v, err := cd.Verify(s, cd.Mode1); err != nil || v != cd.Clean {
			t.Errorf("sector %d: Verify() = %v, %v; want clean", 3000+i, v, err)
		}
	}
	// Once more: the head leaves the place first, so that the cache is not asked.
	m.ClearLog()
	if _, err := r.ReadRaw(t.Context(), sector.Span(3010, 1)); err != nil {
		t.Fatal(err)
	}
	if log := m.Log(); len(log) != 2 || log[0].Op() != scsi.OpSeek10 || log[1].Op() != scsi.OpReadCD {
		t.Errorf("a second reading sent %d commands, the first %v; want SEEK and READ CD", len(log), log[0].Op())
	}
	for _, bad := range []sector.Range{{}, sector.Span(-1, 1), sector.Span(3990, 11), sector.Span(0, 25)} {
		if _, err := r.ReadRaw(t.Context(), bad); err == nil {
			t.Errorf("ReadRaw(%v) = nil; want an error", bad)
		}
	}
}

// A drive without pointers, and one that says that it has some and refuses them.
func TestRawWithoutPointers(t *testing.T) {
	for _, habit := range []unit.RawHabit{unit.NoPointers, unit.FalseClaim} {
		k := unit.Usual()
		k.Raw = habit
		r, _ := compact(t, "", k)
		for range 2 {
			raw, err := r.ReadRaw(t.Context(), sector.Span(100, 2))
			if err != nil || raw.Sectors() != 2 || raw.C2 != nil {
				t.Errorf("habit %d: ReadRaw() = %d sectors, pointers %v, %v; want 2 without", habit, raw.Sectors(), raw.C2 != nil, err)
			}
		}
	}
}

// What no drive can do: raw sectors of a DVD, or without the command.
func TestRawUnsupported(t *testing.T) {
	m := simulated(t, unit.Pressed(whole(t), 0), unit.Usual())
	r, err := optical.OpenNear(m, m, optical.Options{Node: m.node, Stall: 30 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.ReadRaw(t.Context(), sector.Span(0, 1)); !errors.Is(err, device.ErrUnsupported) {
		t.Errorf("ReadRaw() of a DVD = %v; want %v", err, device.ErrUnsupported)
	}
	k := unit.Usual()
	k.Lacks = append(k.Lacks, scsi.OpReadCD)
	r, _ = compact(t, "scratched", k)
	if _, err := r.ReadRaw(t.Context(), sector.Span(0, 1)); !errors.Is(err, device.ErrUnsupported) {
		t.Errorf("ReadRaw() without READ CD = %v; want %v", err, device.ErrUnsupported)
	}
}

// Data that does not show in memory has not come, whatever the transport says; another
// disc ends the reading.
func TestRawThatDidNotCome(t *testing.T) {
	r, m := compact(t, "", unit.Usual())
	m.On(scsi.OpReadCD, 1, unit.Drops{})
	raw, err := r.ReadRaw(t.Context(), sector.Span(100, 4))
	var e *device.ReadError
	if !errors.As(err, &e) || raw.Sectors() != 0 {
		t.Errorf("ReadRaw() of what got lost on its way = %d sectors, %v; want none and why", raw.Sectors(), err)
	}
	m.seq++
	raw, err = r.ReadRaw(t.Context(), sector.Span(100, 4))
	if !errors.As(err, &e) || e.Class != device.Changed || raw.Sectors() != 0 {
		t.Errorf("ReadRaw() of another disc = %d sectors, %v; want none, disc changed", raw.Sectors(), err)
	}
}

// The doubtful bytes of a scratched sector are those that differ from reading to
// reading.
func TestPointersTell(t *testing.T) {
	r, _ := compact(t, "scratched", unit.Usual())
	differ, told := 0, 0
	for a := sector.LBA(0); a < 4000; a++ {
		first, err := r.ReadRaw(t.Context(), sector.Span(a, 1))
		if err != nil || bytes.Count(first.C2, []byte{0}) == len(first.C2) {
			continue
		}
		second, err := r.ReadRaw(t.Context(), sector.Span(a, 1))
		if err != nil {
			continue
		}
		for i := range first.Data {
			if first.Data[i] != second.Data[i] {
				differ++
				if (first.C2[i/8]|second.C2[i/8])<<(i%8)&0x80 != 0 {
					told++
				}
			}
		}
	}
	if differ < 1000 || told != differ {
		t.Errorf("%d bytes differ between two readings, %d of them with a pointer; want more than 1,000, all of them", differ, told)
	}
}

// A drive that gives nothing raw of what it can't correct, unless mode page 01h says so:
// it is told so for raw reading, and for no READ.
func TestRawOfAStrictDrive(t *testing.T) {
	for _, mask := range []scsi.RecoveryFlags{scsi.TB | scsi.DCR, scsi.TB, 0} {
		k := unit.Usual()
		k.Raw, k.Mask.Flags = unit.Strict, mask
		r, m := compact(t, "scratched", k)
		own := r.Original()
		came, failed := 0, 0
		for a := sector.LBA(0); a < 600; a++ {
			raw, err := r.ReadRaw(t.Context(), sector.Span(a, 1))
			switch {
			case err == nil && bytes.Count(raw.C2, []byte{0}) < len(raw.C2):
				came++
			case err != nil:
				failed++
			}
		}
		if mask != 0 && (came < 50 || failed > 0) || mask == 0 && (came > 0 || failed < 50) {
			t.Errorf("mask %02Xh: %d doubtful sectors came, %d failed; want all to come where the drive can be told", uint8(mask), came, failed)
		}
		m.ClearLog()
		if err := r.Ask(sector.Span(0, 16)); err != nil {
			t.Fatal(err)
		}
		if _, err := r.Answer(t.Context()); err != nil {
			t.Fatal(err)
		}
		reads := 0
		for _, e := range m.Log() {
			if e.Op() == scsi.OpRead10 {
				reads++
				if e.Recovery.Flags.InDoubt() {
					t.Errorf("mask %02Xh: READ of %v under the flags %02Xh; want none in doubt", uint8(mask), e.Range, uint8(e.Recovery.Flags))
				}
			}
		}
		if reads == 0 {
			t.Error("no READ was sent")
		}
		if _, err := r.ReadRaw(t.Context(), sector.Span(10, 1)); err != nil && mask != 0 {
			t.Errorf("raw again behind a READ = %v; want nil", err)
		}
		if err := r.Restore(t.Context(), own); err != nil {
			t.Errorf("Restore() = %v; want nil", err)
		}
		if page, _, isOwn := m.Settings(); !isOwn {
			t.Errorf("the page is %+v in the end; want the drive's own", page)
		}
	}
}
