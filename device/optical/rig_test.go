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
	"unsafe"

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
	rigSectors  = 460_000 // more than a CD holds: the rig's drive calls it a DVD
	rigPattern  = 32_768  // sectors with a pattern in them; zeros follow
	rigStall    = 4 * time.Second
	rigSilent   = 14 // seconds
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
			exec.CommandContext(ctx, usbdrive, "-control", filepath.Join(host, "drive.ctl"), "-send", line).Run()
			os.Remove(want)
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
	for range 500 {
		if _, err := os.Stat("/host/want"); err != nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("the host did not do %q", line)
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
		began := time.Now()
		a := one(sector.Span(22000, 16))
		if a.Err == nil || a.Err.Class != device.Stalled {
			t.Fatalf("answer = %v; want a stall", a.Err)
		}
		for _, step := range d.Steps() {
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
		if late := time.Since(began) - rigSilent*time.Second; late > 5*time.Second {
			t.Errorf("reading %v after the drive answered again; want 5s at most", late)
		}
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
		if err := d.Ask(sector.Span(300, 16)); err != nil {
			t.Fatal(err)
		}
		a, err := d.Answer(t.Context())
		say("unplugged: %v, %v", a.Err, err)
		if a.Err == nil || a.Err.Class != device.Gone {
			t.Errorf("answer = %v; want drive gone", a.Err)
		}
		ask(t, "plug")
		time.Sleep(3 * time.Second)
		nodes, _ := filepath.Glob("/dev/sr*")
		say("nodes %v", nodes)
		if err := d.Reopen(t.Context()); err != nil {
			t.Fatalf("Reopen = %v; want nil", err)
		}
		say("node %s", d.Info().Node)
	})
	runtime.KeepAlive(d)
}

// rigSpeed compares what comes through the child, as the program reads, with what
// "dd iflag=direct" gets in the sizes of its usual blocks, and with READs alone: the most
// that a loop with one READ at a time can give. Neither of these two does anything but its
// system calls, and Go's scheduler is kept out of them: where it sees a goroutine in a
// system call it costs the emulated machine a tenth of the time, which dd does not pay. The
// machine does other things: all are measured in turn, a stretch at a time, and medians are
// compared.
func rigSpeed(t *testing.T, d *Drive, node string, say func(string, ...any)) {
	const span = 11_520 // sectors; whole requests of all sizes but one
	buf, err := unix.Mmap(-1, 0, 1<<20, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANONYMOUS)
	if err != nil {
		t.Fatal(err)
	}
	tr, _, err := dial(node, toLook)
	if err != nil {
		t.Fatal(err)
	}
	defer tr.Close()
	asCD, err := Open(t.Context(), Options{Node: node, Stall: rigStall, Kind: "cd"})
	if err != nil {
		t.Fatal(err)
	}
	defer asCD.Close()
	type way struct {
		name string
		read func(w *stopwatch)
		stopwatch
	}
	var ways []*way
	for _, kib := range rigBlocks {
		ways = append(ways, &way{name: fmt.Sprintf("pread of %d KiB", kib), read: func(w *stopwatch) { rigPreads(t, node, span, buf[:kib<<10], w) }})
	}
	for _, n := range []int{48, 60} {
		ways = append(ways, &way{name: fmt.Sprintf("READs of %d sectors alone", n),
			read: func(w *stopwatch) { rigReads(t, tr.(*sgTransport).fd, span, buf[:n*sector.Size], w) }})
	}
	ways = append(ways,
		&way{name: "READs of 48 sectors through the child", read: func(w *stopwatch) { rigThrough(t, d, span, w) }},
		&way{name: "READs of 60 sectors through the child, as of a CD", read: func(w *stopwatch) { rigThrough(t, asCD, span, w) }})
	for range 11 {
		for _, w := range ways {
			w.start()
			w.read(&w.stopwatch)
		}
	}
	best := 0.0
	for _, w := range ways[:len(rigBlocks)] {
		best = max(best, w.median())
	}
	for _, w := range ways {
		say("%s: %.1f MB/s, %.2f of the best pread", w.name, w.median(), w.median()/best)
	}
}

// stopwatch takes the rate, in MB/s, of each stretch that is read.
type stopwatch struct {
	since   time.Time
	sectors int64
	rates   []float64
}

// rigStretch is the least number of sectors of a stretch: what a request has.
const rigStretch = 1140

func (w *stopwatch) start() { w.since, w.sectors = time.Now(), 0 }

// came tells that so many sectors came.
func (w *stopwatch) came(n int64) {
	if w.sectors += n; w.sectors >= rigStretch {
		w.rates = append(w.rates, float64(w.sectors*sector.Size)/1e6/time.Since(w.since).Seconds())
		w.start()
	}
}

func (w *stopwatch) median() float64 {
	all := slices.Sorted(slices.Values(w.rates))
	return all[len(all)/2]
}

// rigBlocks are the sizes of bare reads, in KiB.
var rigBlocks = []int64{60, 96, 120}

// rigPreads reads so many sectors past the cache, a buffer at a time.
func rigPreads(t *testing.T, node string, span int64, buf []byte, w *stopwatch) {
	t.Helper()
	fd, err := unix.Open(node, unix.O_RDONLY|unix.O_DIRECT, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	for at := 0; at < int(span)*sector.Size; at += len(buf) {
		n, _, errno := unix.RawSyscall6(unix.SYS_PREAD64, uintptr(fd), uintptr(unsafe.Pointer(&buf[0])), uintptr(len(buf)), uintptr(at), 0, 0)
		if errno != 0 || int(n) != len(buf) {
			t.Fatalf("pread at %d = %d, %v", at, n, errno)
		}
		w.came(int64(n) / sector.Size)
	}
}

// rigReads reads so many sectors with READ(10) through SG_IO, a buffer at a time.
func rigReads(t *testing.T, fd int, span int64, buf []byte, w *stopwatch) {
	t.Helper()
	x := new(exchange)
	n := int64(len(buf) / sector.Size)
	for at := int64(0); at < span; at += n {
		cdb := copy(x.cdb[:], scsi.Read10{LBA: uint32(at), Blocks: uint16(n)}.Command().CDB())
		x.header = header{
			interfaceID: 'S', direction: dirFromDevice, cmdLen: uint8(cdb), maxSense: senseRoom,
			dataLen: uint32(len(buf)), data: &buf[0], cmd: &x.cdb[0], sense: &x.sense[0], timeout: 30_000,
		}
		h := &x.header
		if _, _, errno := unix.RawSyscall(unix.SYS_IOCTL, uintptr(fd), sgIO, uintptr(unsafe.Pointer(h))); errno != 0 || h.status != 0 || h.hostStatus != 0 || h.residual != 0 {
			t.Fatalf("READ at %d = %v, status %02Xh, host %02Xh, %d bytes missing", at, errno, h.status, h.hostStatus, h.residual)
		}
		w.came(n)
	}
}

// rigThrough reads so many sectors through a child, as the program does: the next
// request waits already when one is answered.
func rigThrough(t *testing.T, d *Drive, span int64, w *stopwatch) {
	t.Helper()
	waiting, step := 0, int64(d.Info().MaxSectors)
	for asked := int64(0); asked < span || waiting > 0; waiting-- {
		for ; waiting < d.Info().Depth && asked < span; waiting++ {
			n := min(step, span-asked)
			if err := d.Ask(sector.Span(sector.LBA(asked), n)); err != nil {
				t.Fatal(err)
			}
			asked += n
		}
		a, err := d.Answer(t.Context())
		if err != nil || a.Err != nil {
			t.Fatalf("answer = %v, %v", a.Err, err)
		}
		w.came(a.Good())
	}
}
