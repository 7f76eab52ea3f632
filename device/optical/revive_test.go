package optical

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devnode"
	"turnstone/device/devnode/devnodetest"
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

// A drive that is nowhere, while another has its node, is waited for: nothing is done to the
// other, and it is not opened in its place.
func TestAnotherTookItsNode(t *testing.T) {
	const port1, port2 = "pci0/usb1/1-1/1-1:1.0/host0/target0", "pci0/usb1/1-2/1-2:1.0/host1/target1"
	sysfs := func(drives ...devnodetest.Drive) string { return devnodetest.Sysfs(t, drives...) }
	d := openCanned(t, "dvd")
	const node = "/canned/dvd" // the other one answers there
	before := sysfs(fake("dvd", port1, fakeFiles("ACME", "DVD X", "", "running")))
	d.place = placeIn(before, device.Info{Node: node})
	d.options.Node = node
	if got := d.Node(); got != node {
		t.Errorf("Node() = %q; want %s", got, node)
	}
	d.place.root = sysfs(fake("dvd", port2, fakeFiles("ACME", "DVD X", "", "running")))
	if got := d.Node(); got != "" {
		t.Errorf("Node() = %q; want none, which is another drive's", got)
	}
	for _, s := range d.Steps() {
		ctx, cancel := context.WithTimeout(t.Context(), 2*readyPause)
		if err := d.Revive(ctx, s); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("Revive(%s) = %v; want it to wait for the drive", s, err)
		}
		cancel()
	}
	was := d.place
	ctx, cancel := context.WithTimeout(t.Context(), 2*readyPause)
	if err := d.Reopen(ctx); !errors.Is(err, context.DeadlineExceeded) || d.place != was {
		t.Errorf("Reopen() = %v, place %+v; want it to wait for the drive, and its place kept", err, d.place)
	}
	cancel()
	closed := openCanned(t, "dvd")
	closed.place = d.place
	time.AfterFunc(readyPause, func() { closed.Close() })
	if err := closed.Reopen(t.Context()); !errors.Is(err, device.ErrClosed) {
		t.Errorf("Reopen() of one that is closed meanwhile = %v; want %v", err, device.ErrClosed)
	}
	e, ok := errors.AsType[*device.ReadError](d.nowhere())
	if !ok || e.Class != device.Gone {
		t.Errorf("in the end it is said: %v; want it gone", e)
	}
	d.place.root = sysfs(fake("dvd", port1, fakeFiles("ACME", "DVD X", "", "offline")))
	if got := d.Node(); got != node || d.found() {
		t.Errorf("Node() = %q; want %s, its own, which takes no requests", got, node)
	}
	d.place.root = sysfs(fake("dvd", port2, fakeFiles("ACME", "DVD X", "", "running")), fake("sr0", port1, fakeFiles("ACME", "DVD X", "", "running")))
	if got := d.Node(); got != "/dev/sr0" {
		t.Errorf("Node() = %q; want /dev/sr0", got)
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

// fake is an invented drive.
func fake(node, path string, files map[string]string) devnodetest.Drive {
	return devnodetest.Drive{Node: node, Path: path, Files: files}
}

// fakeFiles are the files of one.
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
	with := func(drives ...devnodetest.Drive) string { return devnodetest.Sysfs(t, drives...) }
	before := with(fake("sr0", port1, fakeFiles("ACME", "DVD  X", "", "running")))
	numbered := with(fake("sr0", port1, fakeFiles("ACME", "DVD X", "S9", "running")))
	for _, test := range []struct {
		name   string
		before string
		now    string
		want   string
	}{
		{"still there", before, before, "/dev/sr0"},
		{"another node, same port", before, with(fake("sr1", port1, fakeFiles("ACME", "DVD X", "", "running"))), "/dev/sr1"},
		{"the old node is dead", before, with(fake("sr0", port1, fakeFiles("ACME", "DVD X", "", "offline")),
			fake("sr1", port1, fakeFiles("ACME", "DVD X", "", "running"))), "/dev/sr1"},
		{"another port, no serial number", before, with(fake("sr1", port2, fakeFiles("ACME", "DVD X", "", "running"))), ""},
		{"another port, same serial number", numbered, with(fake("sr1", port2, fakeFiles("ACME", "DVD X", "S9", "running"))), "/dev/sr1"},
		{"another serial number at that port", numbered, with(fake("sr0", port1, fakeFiles("ACME", "DVD X", "S8", "running"))), ""},
		{"another model", before, with(fake("sr0", port1, fakeFiles("ACME", "DVD Y", "", "running"))), ""},
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
}

func TestAttachment(t *testing.T) {
	root := devnodetest.Sysfs(t, devnodetest.Drive{Node: "sr0", Path: "pci0/usb1/1-1/host0/target0", Files: map[string]string{
		"size": "0\n", "/pci0/usb1/1-1/busnum": "1\n", "/pci0/usb1/1-1/devnum": "12\n",
	}}, devnodetest.Drive{Node: "sr1", Path: "pci0/ata2/host1", Files: map[string]string{"size": "0\n"}})
	s := devnode.Named(root, "/dev/sr0")
	usb, _ := s.USB()
	if got := usbNode(usb); got != "/dev/bus/usb/001/012" {
		t.Errorf("USB node %q; want /dev/bus/usb/001/012", got)
	}
	if got := attachment(s); got != "USB, port 1-1" {
		t.Errorf("attachment %q; want USB, port 1-1", got)
	}
	if got := attachment(devnode.Named(root, "/dev/sr1")); !contains(got, "ata2") {
		t.Errorf("attachment %q; want ata2 in it", got)
	}
}
