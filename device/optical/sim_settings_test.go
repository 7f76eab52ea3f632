package optical_test

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/optical"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim/unit"
)

// Settings are set, read back, applied again after a reset, and restored.
func TestSettingsAreGivenBack(t *testing.T) {
	m := simulated(t, unit.Pressed(whole(t), 0), unit.Usual())
	r := attach(t, m, optical.Options{})
	own := r.own(t)
	if got := r.info.Retries; got == nil || got.Own != 4 {
		t.Errorf("Info().Retries = %+v; want the drive's own, 4", got)
	}
	three := uint8(3)
	if err := r.set(device.Settings{Retries: &three, SpeedKBps: 8 * 1385}); err != nil {
		t.Fatal(err)
	}
	under := func(when string) {
		t.Helper()
		m.ClearLog()
		if a := r.read(t, sector.Span(0, 16)); a.Err != nil {
			t.Fatalf("%s: %v; want all", when, a.Err)
		}
		log := m.Log()
		i := slices.IndexFunc(log, func(e unit.Entry) bool { return e.Good == 16 })
		if i < 0 || log[i].Recovery.ReadRetries != 3 || log[i].Cap != 8*1385 {
			t.Errorf("%s: the log is %+v; want a READ under 3 retries and a cap of 8x", when, log)
		}
	}
	under("set")
	m.Reset()
	under("after a reset")
	none := uint8(0) // below the drive's least
	if err := r.set(device.Settings{Retries: &none, SpeedKBps: 2 * 1385}); !errors.Is(err, device.ErrUnsupported) {
		t.Errorf("a retry count below the least = %v; want %v", err, device.ErrUnsupported)
	}
	under("after a refusal")
	if err := r.restore(own); err != nil {
		t.Errorf("restore = %v; want nil", err)
	}
	if page, limit, isOwn := m.Settings(); !isOwn {
		t.Errorf("restored: %+v, cap %d; want the drive's own", page, limit)
	}

	// After a crash another opening gives back what the first one found.
	if err := r.set(device.Settings{Retries: &three, SpeedKBps: 8 * 1385}); err != nil {
		t.Fatal(err)
	}
	next := attach(t, m, optical.Options{})
	if err := next.restore(own); err != nil {
		t.Errorf("restore by another opening = %v; want nil", err)
	}
	if page, limit, isOwn := m.Settings(); !isOwn {
		t.Errorf("restored by another opening: %+v, cap %d; want the drive's own", page, limit)
	}
}

// A drive that is told to read slowly reads each sector at its lowest speed, after a
// reset too, until it is told otherwise.
func TestReadsSlowly(t *testing.T) {
	m := simulated(t, unit.Pressed(whole(t), 0), unit.Usual())
	r := attach(t, m, optical.Options{})
	own := r.own(t)
	for _, step := range []struct {
		name  string
		slow  string
		reset bool
		cap   int // kB/s; 0: none
	}{
		{"at first", "", false, 0}, {"slowly", "true", false, 2770}, {"after a reset", "", true, 2770},
		{"as before", "false", false, 0}, {"after another", "", true, 0}, {"slowly again", "true", false, 2770},
	} {
		if step.slow != "" {
			if b, err := r.backend.Call("slow", []byte(step.slow)); err != nil {
				t.Fatalf("%s: slow = %s, %v; want nil", step.name, b, err)
			}
		}
		if step.reset {
			m.Reset()
		}
		m.ClearLog()
		if a := r.read(t, sector.Span(0, 48)); a.Err != nil {
			t.Fatalf("%s: %v; want all", step.name, a.Err)
		}
		reads := 0
		for _, e := range m.Log() {
			if e.Good > 0 {
				reads++
				if e.Cap != step.cap {
					t.Errorf("%s: a READ ran under a cap of %d kB/s; want %d", step.name, e.Cap, step.cap)
				}
			}
		}
		if reads == 0 {
			t.Errorf("%s: no READ brought anything; the test shows nothing", step.name)
		}
	}
	if err := r.restore(own); err != nil {
		t.Errorf("restore = %v; want nil", err)
	}
	if page, limit, isOwn := m.Settings(); !isOwn {
		t.Errorf("restored: %+v, cap %d; want the drive's own", page, limit)
	}
}

// Drives that make something else of a setting, lack a command, or are not for this
// user to set.
func TestSettingsThatDoNotHold(t *testing.T) {
	none := uint8(0)
	for _, test := range []struct {
		name string
		make func(k *unit.Make)
		cant error
		set  device.Settings
		want error
		cap  int
	}{
		{"rounds in silence", func(k *unit.Make) { k.Rounds = true }, nil, device.Settings{Retries: &none}, device.ErrUnsupported, 0},
		{"nothing changeable", func(k *unit.Make) { k.Mask = scsi.Recovery{} }, nil, device.Settings{Retries: &none}, device.ErrUnsupported, 0},
		{"no MODE SENSE", func(k *unit.Make) { k.Lacks = []scsi.Op{scsi.OpModeSense10} }, nil, device.Settings{Retries: &none}, device.ErrUnsupported, 0},
		{"no SET CD SPEED", func(k *unit.Make) { k.Lacks = []scsi.Op{scsi.OpSetCDSpeed} }, nil, device.Settings{SpeedKBps: 5540}, nil, 5540},
		{"neither that nor SET STREAMING", func(k *unit.Make) { k.Lacks = []scsi.Op{scsi.OpSetCDSpeed, scsi.OpSetStreaming} }, nil, device.Settings{SpeedKBps: 5540}, device.ErrUnsupported, 0},
		{"no leave", func(*unit.Make) {}, unix.EACCES, device.Settings{SpeedKBps: 5540}, device.ErrUnsupported, 0},
	} {
		k := unit.Usual()
		test.make(&k)
		m := simulated(t, unit.Pressed(whole(t), 0), k)
		m.cantSet = test.cant
		r := attach(t, m, optical.Options{})
		own := r.own(t)
		if err := r.set(test.set); !errors.Is(err, test.want) {
			t.Errorf("%s: set = %v; want %v", test.name, err, test.want)
		}
		page, limit, _ := m.Settings()
		if page.ReadRetries != 4 || limit != test.cap {
			t.Errorf("%s: %d retries, cap %d; want 4, %d", test.name, page.ReadRetries, limit, test.cap)
		}
		if a := r.read(t, sector.Span(0, 16)); a.Err != nil {
			t.Errorf("%s: read = %v; want all", test.name, a.Err)
		}
		if test.cant == nil {
			if err := r.restore(own); err != nil {
				t.Errorf("%s: restore = %v; want nil", test.name, err)
			}
		}
		if _, _, isOwn := m.Settings(); !isOwn {
			t.Errorf("%s: settings are not the drive's own at the end", test.name)
		}
	}
}

// A drive that delivers wrong bytes as good ones by its own settings: these are taken
// back before anything is read, and given back at the end.
func TestDoubtfulSettingsAreTakenBack(t *testing.T) {
	d := disc(t, append(further, `"retries": 4`, surely[device.Medium]+`"retries": 4`)...)
	image := imageOf(t, whole(t))
	for _, flags := range []scsi.RecoveryFlags{scsi.TB, scsi.RC, scsi.TB | scsi.RC} {
		k := unit.Usual()
		k.Flags |= flags
		m := simulated(t, unit.Pressed(d, 0), k)
		r := attach(t, m, optical.Options{})
		own := r.own(t)
		failed := 0
		for at := sector.LBA(0); at < sectors; at += 48 {
			a := r.read(t, sector.Span(at, 48))
			if !bytes.Equal(a.Data, image[at.Offset():][:len(a.Data)]) {
				t.Fatalf("flags %02X: read at %d brings wrong bytes as good ones", flags, at)
			}
			if a.Err != nil {
				failed++
			}
		}
		if failed < 20 {
			t.Errorf("flags %02X: %d requests fail; want more", flags, failed)
		}
		if err := r.restore(own); err != nil {
			t.Errorf("flags %02X: restore = %v; want nil", flags, err)
		}
		if page, _, isOwn := m.Settings(); !isOwn || page.Flags&flags != flags {
			t.Errorf("flags %02X: %+v at the end; want the drive's own", flags, page)
		}
		m.cantSet = unix.EACCES
		if err := (&reader{m: m}).attach(); err == nil {
			t.Errorf("flags %02X, and no leave to change them: Attach() = nil; want it refused", flags)
		}
	}
}
