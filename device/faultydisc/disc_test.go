package faultydisc

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device/sector"
)

// open opens a device for reads past the page cache.
func open(t *testing.T, node string) *os.File {
	t.Helper()
	f, err := os.OpenFile(node, os.O_RDONLY|unix.O_DIRECT, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// pread reads the sectors of r in one call, into memory of whole pages.
func pread(f *os.File, r sector.Range) ([]byte, error) {
	buf, err := unix.Mmap(-1, 0, int(r.Bytes()), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANONYMOUS)
	if err != nil {
		return nil, err
	}
	defer unix.Munmap(buf)
	n, err := unix.Pread(int(f.Fd()), buf, r.First.Offset())
	if err != nil {
		return nil, err
	}
	return bytes.Clone(buf[:n]), nil
}

// expect reads r and holds the outcome against errno, or against the content
// where errno is 0.
func expect(t *testing.T, d *Disc, f *os.File, r sector.Range, errno syscall.Errno) {
	t.Helper()
	got, err := pread(f, r)
	if errno != 0 {
		if err != errno {
			t.Errorf("pread(%v) = %d bytes, %v; want %v", r, len(got), err, errno)
		}
		return
	}
	if err != nil || !bytes.Equal(got, d.Content(r)) {
		t.Errorf("pread(%v) = %d bytes, %v; want the disc's content", r, len(got), err)
	}
}

// lines is a log as text.
func lines(requests []Request) []string {
	var out []string
	for _, r := range requests {
		out = append(out, r.String())
	}
	return out
}

// A disc without faults is its content from the first sector to the last, ends
// there, and a clean reading asks for each sector once, block by block.
func TestCleanDisc(t *testing.T) {
	const blocks = 200
	d := New(t, Options{Sectors: blocks * 16, Seed: 7})
	f := open(t, d.Device)
	d.Reset()
	for b := range sector.LBA(blocks) {
		expect(t, d, f, sector.Span(b*16, 16), 0)
	}
	requests := d.Requests()
	for i, r := range requests {
		if want := sector.Span(sector.LBA(i)*16, 16); r.Sectors != want || !r.Good() {
			t.Errorf("request %d = %v; want %v good", i, r, want)
		}
	}
	if len(requests) != blocks {
		t.Errorf("%d preads of 32 KiB were %d requests", blocks, len(requests))
	}
	if counts := d.Counts(); slices.Min(counts) != 1 || slices.Max(counts) != 1 {
		t.Errorf("counts lie between %d and %d; want 1", slices.Min(counts), slices.Max(counts))
	}
	if got, err := pread(f, sector.Span(blocks*16, 1)); len(got) != 0 || err != nil {
		t.Errorf("pread at the end = %d bytes, %v; want 0, nil", len(got), err)
	}
	if want := Pattern(7, sector.Span(5, 3)); !bytes.Equal(d.Content(sector.Span(5, 3)), want) {
		t.Error("Content(5+3) differs from Pattern(7, 5+3)")
	}
}

// A request of 4 MiB is cut somewhere; its parts are counted once each.
func TestLongRequest(t *testing.T) {
	d := New(t, Options{Sectors: 4096})
	f := open(t, d.Device)
	d.Reset()
	whole := sector.Span(0, 2048)
	expect(t, d, f, whole, 0)
	counts := d.Counts()
	if once := counts.AtLeast(1); !once.Covers(whole) || once.Count() != whole.Count() {
		t.Errorf("a pread of %v asked for %v", whole, once)
	}
	if twice := counts.AtLeast(2); !twice.Empty() {
		t.Errorf("a pread of %v asked twice for %v", whole, twice)
	}
}

func TestBacking(t *testing.T) {
	file := tempFile(t, Pattern(99, sector.Span(1000, 64)))
	d := New(t, Options{Backing: file.Name()})
	if d.Sectors != 64 {
		t.Errorf("Sectors = %d; want 64", d.Sectors)
	}
	got, err := pread(open(t, d.Device), sector.Span(0, 64))
	if want := Pattern(99, sector.Span(1000, 64)); err != nil || !bytes.Equal(got, want) {
		t.Errorf("pread = %d bytes, %v; want the file's bytes", len(got), err)
	}
}

// Each errno arrives as it is, for its own sectors and for no neighbour.
func TestFail(t *testing.T) {
	d := New(t, Options{Sectors: 1000})
	f := open(t, d.Device)
	for i, errno := range Errnos() {
		bad := sector.Span(sector.LBA(101+i*100), 4)
		d.Fail(bad, errno, Always)
		for range 2 {
			for a := bad.First - 3; a < bad.End+3; a++ {
				want := syscall.Errno(0)
				if bad.Contains(a) {
					want = errno
				}
				expect(t, d, f, sector.Span(a, 1), want)
			}
		}
		expect(t, d, f, sector.Range{First: bad.First - 16, End: bad.First}, 0)
		expect(t, d, f, sector.Range{First: bad.First - 15, End: bad.First + 1}, errno)
		expect(t, d, f, sector.Range{First: bad.End, End: bad.End + 16}, 0)
		expect(t, d, f, sector.Range{First: bad.End - 1, End: bad.End + 15}, errno)
	}
}

// A failure that wears off, and what log and counts say of it.
func TestFailTimes(t *testing.T) {
	d := New(t, Options{Sectors: 1000})
	f := open(t, d.Device)
	d.Reset()
	d.Fail(sector.Span(200, 2), syscall.ENODATA, 2)
	for _, want := range []syscall.Errno{syscall.ENODATA, syscall.ENODATA, 0, 0} {
		expect(t, d, f, sector.Span(200, 1), want)
	}
	expect(t, d, f, sector.Span(192, 16), syscall.ENODATA)
	want := []string{"200+1 ENODATA", "200+1 ENODATA", "200+1 good", "200+1 good", "192+16 ENODATA"}
	if got := lines(d.Requests()); !slices.Equal(got, want) {
		t.Errorf("log = %q; want %q", got, want)
	}
	if got := d.Counts()[198:203]; !slices.Equal(got, Counts{1, 1, 5, 1, 1}) {
		t.Errorf("counts of 198+5 = %v; want 1 1 5 1 1", got)
	}
}

// While more reads hang than FUSE lets wait by itself (12), others are answered.
func TestHang(t *testing.T) {
	const n = 40
	d := New(t, Options{Sectors: 1000})
	f := open(t, d.Device)
	hung := sector.Span(500, n)
	d.Hang(hung)
	d.Fail(sector.Span(510, 1), syscall.ENODATA, Always)
	errs := make([]error, n)
	var readers sync.WaitGroup
	for i := range n {
		readers.Go(func() { _, errs[i] = pread(f, sector.Span(hung.First+sector.LBA(i), 1)) })
	}
	d.Await(n)
	for a := range sector.LBA(400) {
		expect(t, d, f, sector.Span(a, 1), 0)
	}
	d.Release()
	readers.Wait()
	for i, err := range errs {
		if i == 10 && err != syscall.ENODATA || i != 10 && err != nil {
			t.Errorf("pread(%d) after Release = %v", 500+i, err)
		}
	}
	expect(t, d, f, sector.Span(520, 1), 0)
}

// A delay holds one read up and no other, and no longer than it says.
func TestDelay(t *testing.T) {
	d := New(t, Options{Sectors: 100})
	f := open(t, d.Device)
	d.Reset()
	d.Delay(sector.Span(50, 1), 20*time.Millisecond, 1)
	d.Delay(sector.Span(60, 1), time.Hour, 1)
	expect(t, d, f, sector.Span(50, 1), 0)
	done := make(chan error)
	go func() { _, err := pread(f, sector.Span(60, 1)); done <- err }()
	d.Await(1)
	expect(t, d, f, sector.Span(61, 1), 0)
	d.Release()
	if err := <-done; err != nil {
		t.Errorf("pread(60) = %v; want nil", err)
	}
	expect(t, d, f, sector.Span(60, 1), 0)
	requests := d.Requests()
	if want := []string{"50+1 good", "60+1 good", "61+1 good", "60+1 good"}; !slices.Equal(lines(requests), want) {
		t.Fatalf("log = %q; want %q", lines(requests), want)
	}
	if took := requests[0].Took; took < 20*time.Millisecond {
		t.Errorf("a delay of 20ms took %v", took)
	}
}

func TestGone(t *testing.T) {
	d := New(t, Options{Sectors: 100})
	f := open(t, d.Device)
	d.Hang(sector.Span(50, 1))
	done := make(chan error)
	go func() { _, err := pread(f, sector.Span(50, 1)); done <- err }()
	d.Await(1)
	d.Gone()
	if err := <-done; err != syscall.ENODEV {
		t.Errorf("pread(50) while the drive went = %v; want ENODEV", err)
	}
	for _, r := range []sector.Range{sector.Span(0, 1), sector.Span(50, 1), sector.Span(84, 16)} {
		expect(t, d, f, r, syscall.ENODEV)
	}
	d.Heal()
	expect(t, d, f, sector.Span(0, 100), 0)
}

// After the abort all is EIO, log and counts stay, and no fault can be set.
func TestAbort(t *testing.T) {
	d := New(t, Options{Sectors: 100})
	f := open(t, d.Device)
	d.Reset()
	d.Hang(sector.Span(50, 1))
	expect(t, d, f, sector.Span(3, 2), 0)
	done := make(chan error)
	go func() { _, err := pread(f, sector.Span(50, 1)); done <- err }()
	d.Await(1)
	d.Abort()
	if err := <-done; err != syscall.EIO {
		t.Errorf("pread(50) during the abort = %v; want EIO", err)
	}
	expect(t, d, f, sector.Span(0, 1), syscall.EIO)
	expect(t, d, f, sector.Span(99, 1), syscall.EIO)
	d.Abort()
	if got, want := lines(d.Requests()), []string{"3+2 good", "50+1 EIO"}; !slices.Equal(got, want) {
		t.Errorf("log = %q; want %q", got, want)
	}
	if touched, want := d.Counts().AtLeast(1), sector.Of(sector.Span(3, 2), sector.Span(50, 1)); !touched.Equal(&want) {
		t.Errorf("asked for %v; want %v", touched, want)
	}
	if _, err := d.drive.Do(Command{Do: Heal}); err == nil || !strings.Contains(err.Error(), "aborted") {
		t.Errorf("heal after the abort = %v; want an error that names it", err)
	}
}

// A server that is killed from outside is the end of the connection too; what it
// was asked then says so.
func TestServerKilled(t *testing.T) {
	d := New(t, Options{Sectors: 100})
	f := open(t, d.Device)
	if err := d.drive.server.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if _, err := d.drive.Do(Command{Do: Await, Times: 1}); err == nil || !strings.Contains(err.Error(), "the server has ended") {
		t.Errorf("await with a dead server = %v; want: the server has ended", err)
	}
	expect(t, d, f, sector.Span(0, 1), syscall.EIO)
}

// The page cache asks for more than it was asked: the reason for O_DIRECT.
func TestBufferedReadsAskForMore(t *testing.T) {
	d := New(t, Options{Sectors: 1000})
	f, err := os.Open(d.Device)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d.Reset()
	if _, err := f.ReadAt(make([]byte, sector.Size), 0); err != nil {
		t.Fatal(err)
	}
	if asked := d.Counts().AtLeast(1); asked.Count() <= 1 {
		t.Errorf("a buffered read of one sector asked for %v; want more", asked)
	}
}

func TestLoop(t *testing.T) {
	file := tempFile(t, Pattern(4, sector.Span(0, 32)))
	node := Loop(t, file.Name())
	got, err := pread(open(t, node), sector.Span(3, 5))
	if want := Pattern(4, sector.Span(3, 5)); err != nil || !bytes.Equal(got, want) {
		t.Errorf("pread(3+5) = %d bytes, %v; want the file's", len(got), err)
	}
	for name, want := range map[string]string{
		"ro": "1", "size": "128", "queue/logical_block_size": "2048", "loop/autoclear": "1", "loop/partscan": "0",
	} {
		if got := sysfs(t, node, name); got != want {
			t.Errorf("%s of the loop device = %q; want %q", name, got, want)
		}
	}
}

// sysfs is what the kernel says of a block device; "" where it says nothing.
func sysfs(t *testing.T, node, name string) string {
	t.Helper()
	data, err := os.ReadFile("/sys/block/" + strings.TrimPrefix(node, "/dev/") + "/" + name)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(data))
}

// attachment tells one life of a loop device from the next, which another process
// may have begun already: "" while it holds no file.
func attachment(t *testing.T, node string) string {
	t.Helper()
	if sysfs(t, node, "loop/backing_file") == "" {
		return ""
	}
	return sysfs(t, node, "diskseq")
}

func TestStartRefuses(t *testing.T) {
	odd := tempFile(t, make([]byte, 3000))
	for _, test := range []struct {
		o    Options
		want string
	}{
		{Options{}, "disc of 0 sectors"},
		{Options{Sectors: -1}, "disc of -1 sectors"},
		{Options{Sectors: maxSectors + 1}, "can't be made"},
		{Options{Backing: odd.Name()}, "not a file of whole sectors (3000 bytes)"},
		{Options{Backing: t.TempDir()}, "not a file of whole sectors"},
		{Options{Backing: "/nowhere"}, "no such file"},
	} {
		d, err := Start(test.o)
		if err == nil {
			d.Close()
		}
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("Start(%+v) = %v; want %q", test.o, err, test.want)
		}
	}
}

// Where there can be no disc, a user's tests skip, and under CI they fail; what
// is the test's own mistake fails everywhere.
func TestUnavailable(t *testing.T) {
	lack := denied("fuse", &os.PathError{Op: "open", Path: "/dev/fuse", Err: syscall.ENOENT})
	for _, test := range []struct {
		ci   string
		err  error
		want string
	}{
		{"", lack, "skip no faulty disc here: fuse: open /dev/fuse: no such file or directory"},
		{"true", lack, "fatal no faulty disc here: fuse: open /dev/fuse: no such file or directory"},
		{"", denied("loop device", syscall.EBADF), "fatal loop device: bad file descriptor"},
	} {
		t.Setenv("CI", test.ci)
		r := &recorder{TB: t}
		unavailable(r, test.err)
		if r.said[0] != test.want {
			t.Errorf("with CI=%q and %q the test said %q; want %q", test.ci, test.err, r.said[0], test.want)
		}
	}
}

// recorder is a test that goes on after its end.
type recorder struct {
	testing.TB
	said []string
}

func (r *recorder) Helper()           {}
func (r *recorder) Skip(args ...any)  { r.said = append(r.said, "skip "+fmt.Sprint(args...)) }
func (r *recorder) Fatal(args ...any) { r.said = append(r.said, "fatal "+fmt.Sprint(args...)) }

// Main missing is said at once: not after the tests have run in the "server".
func TestMainMissing(t *testing.T) {
	out, err := (&exec.Cmd{Path: "/proc/self/exe", Args: []string{asForgetful}}).Output()
	if want := "the program does not call faultydisc.Main first (a test: in TestMain)\n"; err != nil || string(out) != want {
		t.Errorf("Start without Main said %q, %v; want %q", out, err, want)
	}
}
