package optical

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// The rig is a QEMU guest with a USB optical drive that goes wrong on request. This
// test binary runs in it as well, told so by an argument: there it speaks to a real
// /dev/sr0 through the kernel's own drivers. TURNSTONE_RIGS names the folder of the
// rigs.

const (
	inGuest     = "in-guest"
	rigSectors  = 460_000         // more than a CD holds: the rig's drive calls it a DVD
	rigPattern  = 32_768          // sectors with a pattern in them; zeros follow
	rigStall    = 8 * time.Second // more than anything else takes in a machine that is emulated beside other work
	rigSilent   = 24              // seconds: the drive answers while the first step waits for it
	rigBadFirst = 20_000
)

// rigFailing is a request of 24 READs. The eleventh of them, of 48 sectors, comes upon the
// failing block behind 16 good sectors; what it does not ask for is asked by none.
var rigFailing = sector.Span(rigBadFirst-10*48-16, 24*48)

// TestRig builds this test binary static, boots the guest with it, and holds the
// drive's own log against what was to be asked.
func TestRig(t *testing.T) {
	rigs := os.Getenv("TURNSTONE_RIGS")
	if rigs == "" {
		t.Skip("TURNSTONE_RIGS names no folder of rigs")
	}
	if testing.Short() {
		t.Skip("boots a machine")
	}
	if _, err := exec.LookPath("qemu-system-x86_64"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	dir := t.TempDir()
	rig := os.Getenv("RIG")
	if rig == "" {
		rig = "/tmp/turnstone-rigs/optical"
	}
	run := func(name string, env []string, args ...string) string {
		t.Helper()
		c := exec.CommandContext(t.Context(), name, args...)
		c.Env = append(os.Environ(), env...)
		out, err := c.CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		return string(out)
	}
	if _, err := os.Stat(filepath.Join(rig, "initrd-usb.gz")); err != nil {
		run(filepath.Join(rigs, "optical/build.sh"), []string{"RIG=" + rig})
	}
	program := filepath.Join(dir, "optical.test")
	run("go", []string{"CGO_ENABLED=0"}, "test", "-c", "-o", program, ".")
	disc, other := filepath.Join(dir, "disc.iso"), filepath.Join(dir, "other.iso")
	writeRigDisc(t, disc, 0)
	writeRigDisc(t, other, 1)
	faults := filepath.Join(dir, "faults.txt")
	rules := fmt.Sprintf("%d-%d error 3/11/05\n21000 error 1/17/01\n22000 stall %ds 1\n", rigBadFirst, rigBadFirst+15, rigSilent)
	if err := os.WriteFile(faults, []byte(rules), 0o600); err != nil {
		t.Fatal(err)
	}
	host := filepath.Join(dir, "host")
	if err := os.Mkdir(host, 0o700); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan struct{})
	go func() {
		defer close(served)
		serveGuest(ctx, filepath.Join(rig, "usbdrive.bin"), host, other)
	}()
	out := run(filepath.Join(rigs, "optical/run-usb.sh"), []string{"RIG=" + rig},
		disc, faults, host, program, "-test.v", "-test.run=^TestInGuest$", inGuest)
	cancel()
	<-served
	t.Log(out)
	log, err := os.ReadFile(filepath.Join(host, "drive.log"))
	if err != nil {
		t.Fatal(err)
	}
	checkRigLog(t, string(log))
	checkRigOnce(t, string(log))
}

// writeRigDisc makes a disc whose first sectors have a pattern, shifted by some.
func writeRigDisc(t *testing.T, path string, shift sector.LBA) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b := make([]byte, rigPattern*sector.Size)
	for a := range sector.LBA(rigPattern) {
		devicetest.Pattern(a+shift, b[a.Offset():][:sector.Size])
	}
	if _, err := f.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(rigSectors * sector.Size); err != nil {
		t.Fatal(err)
	}
}

// serveGuest does to the drive what the guest asks for, by files: it writes the
// control socket's line into "want", which is taken away when it is done.
func serveGuest(ctx context.Context, usbdrive, host, other string) {
	want := filepath.Join(host, "want")
	for ctx.Err() == nil {
		if b, err := os.ReadFile(want); err == nil && bytes.HasSuffix(b, []byte("\n")) {
			line := strings.ReplaceAll(strings.TrimSpace(string(b)), "OTHER", other)
			if exec.CommandContext(ctx, usbdrive, "-control", filepath.Join(host, "drive.ctl"), "-send", line).Run() == nil {
				os.Remove(want)
			}
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// checkRigLog holds the drive's log against what was to be asked: one READ named the
// failing block, one the place of the stall.
func checkRigLog(t *testing.T, log string) {
	t.Helper()
	failing, behind, stalled := 0, 0, 0
	var speeds []uint16 // of SET CD SPEED
	for line := range strings.Lines(log) {
		var ms, first, n int64
		var high, low uint16
		if _, err := fmt.Sscanf(line, "%d bb 00 %x %x ", &ms, &high, &low); err == nil {
			speeds = append(speeds, high<<8|low)
		}
		if _, err := fmt.Sscanf(line, "%d read %d %d:", &ms, &first, &n); err != nil {
			continue
		}
		r := sector.Span(sector.LBA(first), n)
		if r.Overlaps(sector.Span(rigBadFirst, 16)) {
			failing++
		}
		if r.Overlaps(sector.Range{First: rigBadFirst + 32, End: rigFailing.End}) {
			behind++
		}
		if r.Contains(22000) {
			stalled++
		}
	}
	if behind != 0 {
		t.Errorf("the drive was asked %d times for what lies behind a failing READ; want never", behind)
	}
	if failing != 1 || stalled != 1 {
		t.Errorf("the drive was asked %d times for the failing block and %d times for the sector at which it stalled; want once each", failing, stalled)
	}
	// A cap of 2x and back, then slowly, and back since the drive does not heed it.
	if want := []uint16{2770, scsi.MaxSpeed, 2770, scsi.MaxSpeed}; !slices.Equal(speeds, want) {
		t.Errorf("the drive was asked for speeds of %d kB/s; want %d", speeds, want)
	}
}

// ask has the host do something to the drive.
func ask(t *testing.T, line string) {
	t.Helper()
	if err := os.WriteFile("/host/want", []byte(line+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	await(t, fmt.Sprintf("the host does %q", line), func() bool {
		_, err := os.Stat("/host/want")
		return err != nil
	})
}

// await waits until something holds of which nobody tells. It is no assertion: what does
// not hold after a minute never will.
func await(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for range 3000 {
		if holds() {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("it does not come about that %s", what)
}

// TestInGuest is what runs in the guest.
func TestInGuest(t *testing.T) {
	if flag.Arg(0) != inGuest {
		t.Skip("runs in the rig's guest only")
	}
	const node = "/dev/sr0"
	start := time.Now()
	say := func(format string, a ...any) {
		fmt.Printf("%8.3f %s\n", time.Since(start).Seconds(), fmt.Sprintf(format, a...))
	}
	open := func(t *testing.T) *Drive {
		t.Helper()
		d, err := Open(t.Context(), Options{Node: node, Stall: rigStall})
		if err != nil {
			t.Fatalf("Open = %v; want nil", err)
		}
		return d
	}
	t.Run("describe", func(t *testing.T) {
		say("%+v", Describe(t.Context(), node, 20*time.Second))
	})
	d := open(t)
	defer func() { d.Close() }()
	say("info %+v", d.Info())
	say("original %s", d.Original())
	say("steps %v", d.Steps())
	one := func(r sector.Range) device.Answer {
		t.Helper()
		if err := d.Ask(r); err != nil {
			t.Fatalf("Ask(%v) = %v", r, err)
		}
		a, err := d.Answer(t.Context())
		if err != nil {
			t.Fatalf("Answer to %v = %v", r, err)
		}
		for i := range a.Good() {
			want := make([]byte, sector.Size)
			if r.First+sector.LBA(i) < rigPattern {
				devicetest.Pattern(r.First+sector.LBA(i), want)
			}
			if !bytes.Equal(a.Data[i*sector.Size:][:sector.Size], want) {
				t.Fatalf("sector %d has other bytes than the disc", r.First+sector.LBA(i))
			}
		}
		say("%v: %d good, weak %v, %v, %v", r, a.Good(), a.Weak, a.Took.Round(time.Millisecond), a.Err)
		return a
	}
	t.Run("speed", func(t *testing.T) { rigSpeed(t, d, node, say) })
	t.Run("once", func(t *testing.T) { rigOnce(t, node) })
	t.Run("settings", func(t *testing.T) {
		// The rig's drive answers with its own page, 10h, for what can be changed: a
		// mask with holes, so no range of counts is offered; but 0 can be set.
		if own := d.Info().Retries; own != nil {
			t.Errorf("retry counts = %+v; want none offered by a mask with holes", own)
		}
		none := uint8(0)
		if err := d.Set(t.Context(), device.Settings{Retries: &none, SpeedKBps: 2770}); err != nil {
			t.Errorf("Set = %v; want nil", err)
		}
		if err := d.Restore(t.Context(), d.Original()); err != nil {
			t.Errorf("Restore = %v; want nil", err)
		}
		// The rig's drive takes a speed, and says of itself what it said before.
		if kBps, err := d.Slow(t.Context(), true); !errors.Is(err, device.ErrUnsupported) {
			t.Errorf("Slow = %d, %v; want %v, since the drive stays as fast", kBps, err, device.ErrUnsupported)
		}
	})
	t.Run("failing", func(t *testing.T) {
		a := one(rigFailing)
		if e := a.Err; a.Good() != 496 || e == nil || e.Class != device.Medium || e.At != rigBadFirst {
			t.Errorf("answer = %d good, %v; want 496, medium error at %d", a.Good(), a.Err, rigBadFirst)
		}
		if a := one(sector.Span(20992, 48)); a.Err != nil || len(a.Weak) == 0 {
			t.Errorf("answer = weak %v, %v; want weak, nil", a.Weak, a.Err)
		}
	})
	t.Run("stall", func(t *testing.T) {
		began, taken := time.Now(), 0
		a := one(sector.Span(22000, 16))
		if a.Err == nil || a.Err.Class != device.Stalled {
			t.Fatalf("answer = %v; want a stall", a.Err)
		}
		for _, step := range d.Steps() {
			taken++
			err := d.Revive(t.Context(), step)
			say("%s: %v", step, err)
			if err != nil {
				continue
			}
			if err = d.Reopen(t.Context()); err == nil {
				break
			}
			say("reopen: %v", err)
		}
		if a := one(sector.Span(100, 16)); a.Err != nil {
			t.Errorf("answer after the stall = %v; want all of it", a.Err)
		}
		if taken != 1 {
			t.Errorf("%d steps were taken until the drive answered; want the waiting alone", taken)
		}
		say("reading %v after the drive answered again", time.Since(began)-rigSilent*time.Second)
	})
	t.Run("another disc", func(t *testing.T) {
		ask(t, "eject")
		ask(t, "insert OTHER")
		if a := one(sector.Span(200, 16)); a.Err == nil || a.Err.Class != device.Changed || a.Good() != 0 {
			t.Errorf("answer = %d good, %v; want none, disc changed", a.Good(), a.Err)
		}
		before := d.Info().Medium
		if err := d.Reopen(t.Context()); err != nil {
			t.Fatalf("Reopen = %v; want nil", err)
		}
		if after := d.Info().Medium; after == before {
			t.Errorf("medium %q before and after the disc was changed; want another", after)
		}
		// The kernel takes the drive's word from under us when somebody opens the node.
		ask(t, "eject")
		ask(t, "insert OTHER")
		if fd, err := unix.Open(node, unix.O_RDONLY|unix.O_NONBLOCK, 0); err == nil {
			unix.Close(fd)
		}
		if a := one(sector.Span(200, 16)); a.Err == nil || a.Err.Class != device.Changed || a.Good() != 0 {
			t.Errorf("answer = %d good, %v; want none, disc changed", a.Good(), a.Err)
		}
		if err := d.Reopen(t.Context()); err != nil {
			t.Fatalf("Reopen = %v; want nil", err)
		}
	})
	t.Run("tray", func(t *testing.T) {
		if err := d.StopSpindle(t.Context()); err != nil {
			t.Errorf("StopSpindle = %v; want nil", err)
		}
		if err := d.Eject(t.Context()); err != nil {
			t.Errorf("Eject = %v; want nil", err)
		}
		d.Close()
		_, err := Open(t.Context(), Options{Node: node, Stall: rigStall})
		say("open tray: %v", err)
		if e, ok := errors.AsType[*device.OpenError](err); !ok || !e.NoDisc {
			t.Errorf("Open with the tray open = %v; want no disc", err)
		}
		ask(t, "insert OTHER")
		d = open(t)
	})
	t.Run("unplugged", func(t *testing.T) {
		held, err := unix.Open(node, unix.O_RDONLY|unix.O_NONBLOCK, 0) // so that the name is not free
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Close(held)
		ask(t, "unplug")
		a := one(sector.Span(300, 16))
		if a.Err != nil && a.Err.Class == device.Doubtful { // the kernel did not know yet
			await(t, "the kernel misses the drive", func() bool {
				_, err := os.Stat("/sys/class/block/" + filepath.Base(node))
				return err != nil
			})
			a = one(sector.Span(300, 16))
		}
		if a.Err == nil || a.Err.Class != device.Gone || a.Good() != 0 {
			t.Errorf("answer = %d good, %v; want none, drive gone", a.Good(), a.Err)
		}
		ask(t, "plug")
		await(t, "the kernel finds the drive", func() bool { return d.place.find(node) != "" })
		nodes, _ := filepath.Glob("/dev/sr*")
		say("nodes %v", nodes)
		if err := d.Reopen(t.Context()); err != nil {
			t.Fatalf("Reopen = %v; want nil", err)
		}
		say("node %s", d.Info().Node)
	})
	runtime.KeepAlive(d)
}
