// Package faultydisc is a disc on order for tests: a block device of the real
// kernel whose sectors fail as the test says, and that remembers each request.
//
//	test process                       server process (the same binary)
//	────────────                       ────────────────────────────────
//	New, Fail, Hang … ── socket ─────▶ script of faults, counts, log
//	                                              ▲
//	reader ── O_DIRECT ─▶ /dev/loopN ─▶ FUSE file ┘   (the kernel in between)
//
// The disc is one file of a FUSE file system, attached to a loop device with
// sectors of 2048 bytes, read-only, with direct I/O. It needs Linux 5.8, root,
// /dev/fuse and a free loop device; no fusermount, no mount point, no folder.
// Tests that use it call Main first thing in their TestMain:
//
//	func TestMain(m *testing.M) { faultydisc.Main(); os.Exit(m.Run()) }
//
//	func TestScratch(t *testing.T) {
//		disc := faultydisc.New(t, faultydisc.Options{Sectors: 10_000})
//		disc.Fail(sector.Span(100, 4), syscall.ENODATA, faultydisc.Always)
//		… read disc.Device …
//		again := disc.Counts().AtLeast(2)
//		if !again.Empty() { … }
//	}
//
// What a test should know of the kernel:
//
//   - Only a reader with O_DIRECT gets what the script says. A buffered reader
//     goes through the page cache, which reads whole pages and ahead, and asks
//     again for what failed: neighbours fail too, and counts mean nothing.
//   - One pread of up to 32 KiB is one request here. A long one may come in
//     several, cut at places that differ from run to run.
//   - A request that covers a failing sector fails as a whole.
//   - A reader that hangs sleeps uninterruptibly: it can't be killed, and its
//     process does not end before Release, Gone, Heal, Abort or the cleanup.
//     Let it read in a process of its own, and wait for Await, never for a time.
//   - The server has a process of its own because a process that is killed while
//     one of its threads waits for its own FUSE answer never ends. For the same
//     reason the server never touches its own file.
//
// Nothing stays behind, however a test ends: the mount is never attached to a
// folder, the loop device clears itself when the last opener closes it, and the
// server ends with the test process, whereupon every read that hangs gets EIO.
package faultydisc

import (
	"errors"
	"os"
	"syscall"
	"testing"
	"time"

	"turnstone/device/sector"
)

// Disc is a faulty disc that belongs to one test. Its methods end the test with
// a message when the server does not do as they say; they may be called by any
// goroutine that may call t.Fatal.
type Disc struct {
	Device  string // the loop device's node, "/dev/loop3"
	Sectors int64  // its capacity

	t     testing.TB
	drive *Drive
}

// New puts a disc into a drive for the time of the test. Where the machine can't
// (no root, no /dev/fuse, no loop device) the test is skipped, and fails where
// the environment says CI=true.
func New(t testing.TB, o Options) *Disc {
	t.Helper()
	drive, err := Start(o)
	if err != nil {
		unavailable(t, err)
	}
	t.Cleanup(func() {
		if err := drive.Close(); err != nil {
			t.Errorf("Close() = %v; want nil", err)
		}
	})
	return &Disc{Device: drive.Node(), Sectors: drive.Sectors(), t: t, drive: drive}
}

// Loop attaches a plain file to a loop device for the time of the test, as the
// disc is attached, and returns the device's node. It skips and fails like New.
func Loop(t testing.TB, path string) string {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatalf("Loop(%q) = %v; want a readable file", path, err)
	}
	defer file.Close() // the loop device holds the file by itself
	device, err := attach(file)
	if err != nil {
		unavailable(t, err)
	}
	t.Cleanup(func() { device.Close() })
	return device.Name()
}

// unavailable ends a test that can't have its device.
func unavailable(t testing.TB, err error) {
	t.Helper()
	if errors.Is(err, ErrUnavailable) && os.Getenv("CI") != "true" {
		t.Skip(err)
	}
	t.Fatal(err)
}

// do sends one command to the server.
func (d *Disc) do(c Command) Report {
	d.t.Helper()
	report, err := d.drive.Do(c)
	if err != nil {
		d.t.Fatalf("faulty disc %s: %v = %v; want nil", d.Device, c, err)
	}
	return report
}

// Fail lets each sector of r fail with errno the first n times it is asked for,
// or every time where n is Always. Errno is one of Errnos.
func (d *Disc) Fail(r sector.Range, errno syscall.Errno, n int) {
	d.t.Helper()
	d.do(Command{Do: Fail, Sectors: r, Errno: errno, Times: n})
}

// Delay answers requests for sectors of r only after wait, for each sector the
// first n times, or every time where n is Always.
func (d *Disc) Delay(r sector.Range, wait time.Duration, n int) {
	d.t.Helper()
	d.do(Command{Do: Delay, Sectors: r, Wait: wait, Times: n})
}

// Hang keeps requests for sectors of r without an answer, until Release, Gone,
// Heal or Abort. Requests for other sectors are answered meanwhile.
func (d *Disc) Hang(r sector.Range) {
	d.t.Helper()
	d.do(Command{Do: Hang, Sectors: r})
}

// Release takes all hangs out of the script and answers the requests that wait,
// those of Delay included, as the rest of the script says.
func (d *Disc) Release() { d.t.Helper(); d.do(Command{Do: Release}) }

// Gone is the drive unplugged: ENODEV for every request, and for those that
// wait, until Heal.
func (d *Disc) Gone() { d.t.Helper(); d.do(Command{Do: Gone}) }

// Abort ends the server's connection for good: EIO for every request, and for
// those that wait. No fault can be set afterwards; counts and log stay as they
// were.
func (d *Disc) Abort() { d.t.Helper(); d.do(Command{Do: Abort}) }

// Heal empties the script. Requests that wait get their data.
func (d *Disc) Heal() { d.t.Helper(); d.do(Command{Do: Heal}) }

// Reset sets the counts to 0 and empties the log. The script stays, and so does
// how often each fault has come true.
func (d *Disc) Reset() { d.t.Helper(); d.do(Command{Do: Reset}) }

// Await returns once n requests or more wait for an answer at the same time.
func (d *Disc) Await(n int) { d.t.Helper(); d.do(Command{Do: Await, Times: n}) }

// Counts says how often each sector has been asked for since New or Reset.
func (d *Disc) Counts() Counts { d.t.Helper(); return d.do(Command{Do: Count}).Counts }

// Requests is the log: every request since New or Reset, in the order of their
// coming.
func (d *Disc) Requests() []Request { d.t.Helper(); return d.do(Command{Do: Log}).Requests }

// Content is what the sectors of r hold, read past the device: it is not
// counted, and no fault touches it.
func (d *Disc) Content(r sector.Range) []byte {
	d.t.Helper()
	data, err := d.drive.Content(r)
	if err != nil {
		d.t.Fatalf("Content(%v) = %v; want nil", r, err)
	}
	return data
}
