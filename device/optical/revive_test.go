package optical

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devnode"
	"turnstone/device/sector"
)

func TestReviving(t *testing.T) {
	d, err := openBy(t.Context(), cannedOpener, Options{Node: "/canned/hangs", Stall: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if err := d.Ask(sector.Span(900, 16)); err != nil {
		t.Fatal(err)
	}
	a, err := d.Answer(t.Context())
	if err != nil || a.Err == nil || a.Err.Class != device.Stalled {
		t.Fatalf("answer of a drive that hangs = %v, %v; want a stall", a.Err, err)
	}
	if want := []device.Step{device.Waiting, stepReady, stepStart}; !slices.Equal(d.Steps(), want) {
		t.Errorf("Steps() = %v; want %v for a drive that the kernel does not know", d.Steps(), want)
	}
	for _, s := range d.Steps() {
		if err := d.Revive(t.Context(), s); err != nil {
			t.Errorf("Revive(%s) = %v; want nil", s, err)
		}
	}
	if err := d.Revive(t.Context(), stepPort); !errors.Is(err, device.ErrUnsupported) {
		t.Errorf("Revive(%s) = %v; want %v", stepPort, err, device.ErrUnsupported)
	}
	if err := d.Reopen(t.Context()); err != nil {
		t.Fatalf("Reopen() = %v; want nil", err)
	}
	if err := d.Ask(sector.Span(0, 16)); err != nil {
		t.Fatal(err)
	}
	if a, err := d.Answer(t.Context()); err != nil || a.Err != nil {
		t.Errorf("answer after Reopen = %v, %v; want all of it", a.Err, err)
	}
}

// What a reopening says of a drive that is another than it was.
func TestReopening(t *testing.T) {
	for _, test := range []struct {
		node  string
		class device.Class // 0: no ReadError
	}{{"empty", device.Gone}, {"gone", device.Gone}, {"absent", device.Gone}, {"hangs", 0}} {
		d := openCanned(t, "dvd")
		d.options.Node = "/canned/" + test.node
		err := d.Reopen(t.Context())
		e, ok := errors.AsType[*device.ReadError](err)
		if ok != (test.class != 0) || ok && e.Class != test.class {
			t.Errorf("Reopen(%s) = %v; want class %v", test.node, err, test.class)
		}
	}
	d := openCanned(t, "dvd")
	d.options.Node, d.options.Stall = "/canned/stuck", 100*time.Millisecond
	if e, ok := errors.AsType[*device.ReadError](d.Reopen(t.Context())); !ok || e.Class != device.Stalled {
		t.Errorf("Reopen(stuck) = %v; want a stall", e)
	}
}

// What the drive can be told through the child.
func TestAbilities(t *testing.T) {
	d := openCanned(t, "dvd")
	if err := d.Set(t.Context(), device.Settings{Retries: new(uint8), SpeedKBps: 2770}); err != nil {
		t.Errorf("Set = %v; want nil", err)
	}
	if err := d.Set(t.Context(), device.Settings{SpeedKBps: -1}); !errors.Is(err, device.ErrUnsupported) {
		t.Errorf("Set of a speed that is none = %v; want %v", err, device.ErrUnsupported)
	}
	if err := d.Restore(t.Context(), d.Original()); err != nil {
		t.Errorf("Restore = %v; want nil", err)
	}
	if err := d.StopSpindle(t.Context()); err != nil {
		t.Errorf("StopSpindle = %v; want nil", err)
	}
	if err := d.Eject(t.Context()); err != nil {
		t.Errorf("Eject = %v; want nil", err)
	}
}

func TestOptions(t *testing.T) {
	for _, o := range []Options{
		{Node: "/dev/null", Stall: time.Hour},                        // no block device
		{Node: "/dev/sr0", Stall: time.Hour, Kind: "vinyl"},          // no kind
		{Node: "/dev/sr0", Stall: time.Hour, AssumeSectors: -1},      // no size
		{Node: "/dev/sr0", Stall: time.Hour, AssumeSectors: 1 << 40}, // nor this
		{Node: "/dev/turnstone-absent", Stall: time.Hour},
		{Node: "/dev/sr0"}, // no stall time
	} {
		if d, err := Open(t.Context(), o); err == nil {
			d.Close()
			t.Errorf("Open(%+v) = nil; want an error", o)
		}
	}
	_, err := Open(t.Context(), Options{Node: "/dev/null", Stall: time.Hour})
	if e, ok := errors.AsType[*device.OpenError](err); !ok || !contains(e.What, "not the node of an optical drive") {
		t.Errorf("Open(/dev/null) = %v; want that it is no optical drive", err)
	}
}

// fakeSysfs makes a sysfs of invented drives: node, folder of its device below
// devices, and files in the device's folder.
type fakeDrive struct {
	node, path string
	files      map[string]string
}

func fakeSysfs(t *testing.T, drives ...fakeDrive) (root string) {
	t.Helper()
	root = t.TempDir()
	class := filepath.Join(root, "class/block")
	if err := os.MkdirAll(class, 0o700); err != nil {
		t.Fatal(err)
	}
	for _, d := range drives {
		block := filepath.Join(root, "devices", d.path, "block", d.node)
		for name, text := range d.files {
			path := filepath.Join(block, name)
			if strings.HasPrefix(name, "/") { // below devices
				path = filepath.Join(root, "devices", name)
			}
			if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.Symlink(block, filepath.Join(class, d.node)); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// drive is a drive's folder in the fake.
func fakeFiles(vendor, model, serial, state string) map[string]string {
	f := map[string]string{"device/vendor": vendor + "\n", "device/model": model + "   \n", "device/state": state + "\n"}
	if serial != "" {
		f["device/vpd_pg80"] = "\x05\x80\x00" + string(rune(len(serial))) + serial
	}
	return f
}

func TestDriveIsFoundAgain(t *testing.T) {
	const port1, port2 = "pci0/usb1/1-1/1-1:1.0/host0/target0", "pci0/usb1/1-4/1-4.2/1-4.2:1.0/host1/target1"
	was := device.Info{Node: "/dev/sr0"}
	with := func(drives ...fakeDrive) string { return fakeSysfs(t, drives...) }
	before := with(fakeDrive{"sr0", port1, fakeFiles("ACME", "DVD  X", "", "running")})
	numbered := with(fakeDrive{"sr0", port1, fakeFiles("ACME", "DVD X", "S9", "running")})
	for _, test := range []struct {
		name   string
		before string
		now    string
		want   string
	}{
		{"still there", before, before, "/dev/sr0"},
		{"another node, same port", before, with(fakeDrive{"sr1", port1, fakeFiles("ACME", "DVD X", "", "running")}), "/dev/sr1"},
		{"the old node is dead", before, with(fakeDrive{"sr0", port1, fakeFiles("ACME", "DVD X", "", "offline")},
			fakeDrive{"sr1", port1, fakeFiles("ACME", "DVD X", "", "running")}), "/dev/sr1"},
		{"another port, no serial number", before, with(fakeDrive{"sr1", port2, fakeFiles("ACME", "DVD X", "", "running")}), ""},
		{"another port, same serial number", numbered, with(fakeDrive{"sr1", port2, fakeFiles("ACME", "DVD X", "S9", "running")}), "/dev/sr1"},
		{"another serial number at that port", numbered, with(fakeDrive{"sr0", port1, fakeFiles("ACME", "DVD X", "S8", "running")}), ""},
		{"another model", before, with(fakeDrive{"sr0", port1, fakeFiles("ACME", "DVD Y", "", "running")}), ""},
		{"nowhere", before, with(), ""},
	} {
		p := placeIn(test.before, was)
		p.root = test.now
		if got := p.find("/dev/sr0"); got != test.want {
			t.Errorf("%s: found at %q; want %q", test.name, got, test.want)
		}
	}
	if got := (place{}).find("/dev/sr0"); got != "" {
		t.Errorf("a drive without a place is found at %q", got)
	}
	if _, port := devnode.Dir("/sys/devices/" + port2 + "/block/sr0").USB(); port != "1-4.2" {
		t.Errorf("USB port %q; want 1-4.2", port)
	}
}

func TestSysfs(t *testing.T) {
	root := fakeSysfs(t, fakeDrive{"sr0", "pci0/usb1/1-1/host0/target0", map[string]string{
		"device/state": "running\n", "queue/max_hw_sectors_kb": "120\n", "queue/max_segments": "2048\n",
		"device/scsi_generic/sg3/dev": "21:3\n", "/pci0/usb1/1-1/busnum": "1\n", "/pci0/usb1/1-1/devnum": "12\n",
	}}, fakeDrive{"sr1", "pci0/ata2/host1", map[string]string{"queue/max_hw_sectors_kb": "32767", "queue/max_segments": "168"}})
	s := devnode.Named(root, "/dev/sr0")
	if got := s.CommandBytes(); got != 120<<10 {
		t.Errorf("limit %d; want %d", got, 120<<10)
	}
	if got := s.SG(); got != "/dev/sg3" {
		t.Errorf("sg node %q; want /dev/sg3", got)
	}
	usb, _ := s.USB()
	if got := usbNode(usb); got != "/dev/bus/usb/001/012" {
		t.Errorf("USB node %q; want /dev/bus/usb/001/012", got)
	}
	if got := attachment(s); got != "USB, port 1-1" {
		t.Errorf("attachment %q; want USB, port 1-1", got)
	}
	other := devnode.Named(root, "/dev/sr1")
	if got := other.CommandBytes(); got != 168*4096 {
		t.Errorf("limit %d; want %d", got, 168*4096)
	}
	if got := attachment(other); !contains(got, "ata2") {
		t.Errorf("attachment %q; want ata2 in it", got)
	}
	for state, want := range map[string]string{"running": "", "offline": "offline", "blocked": "", "transport-offline": "transport-offline"} {
		if err := os.WriteFile(filepath.Join(string(s), "device/state"), []byte(state+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if got := s.Gone(true); got != want {
			t.Errorf("state %s: gone %q; want %q", state, got, want)
		}
	}
	if err := os.RemoveAll(string(s)); err != nil {
		t.Fatal(err)
	}
	if got := s.Gone(true); got != "removed" {
		t.Errorf("without a folder: gone %q; want removed", got)
	}
	none := devnode.Named(root, "/dev/sr9")
	if none != "" || none.Gone(true) != "" || none.CommandBytes() <= 0 || none.SG() != "" {
		t.Errorf("a node that sysfs does not know: %q, gone %q, limit %d", none, none.Gone(true), none.CommandBytes())
	}
}
