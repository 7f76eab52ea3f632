package blockdev

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/devnode"
	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

// parentEnv makes the test binary a parent that can be killed: it reads sector
// 500 of the drive that the variable names, which hangs.
const parentEnv = "TURNSTONE_BLOCKDEV_TEST_PARENT"

func beParent(node string) {
	r, err := Open(context.Background(), Options{Node: node, Stall: time.Hour})
	if err == nil {
		err = r.Ask(sector.Span(500, 1))
	}
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	fmt.Println(os.Getpid())
	io.Copy(io.Discard, os.Stdin)
}

// children is the process ids of the children that read drives for a process.
func children(t *testing.T, parent int) []int {
	t.Helper()
	var pids []int
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range stats {
		stat, err := os.ReadFile(path) // pid (name) state parent …, proc_pid_stat(5)
		if err != nil {
			continue // it has ended meanwhile
		}
		_, rest, _ := strings.Cut(string(stat), ") ")
		command, _ := os.ReadFile(filepath.Join(filepath.Dir(path), "cmdline"))
		f := strings.Fields(rest)
		if len(f) > 1 && f[1] == strconv.Itoa(parent) && strings.Contains(string(command), "serve-drive") {
			pid, err := strconv.Atoi(filepath.Base(filepath.Dir(path)))
			if err != nil {
				t.Fatal(err)
			}
			pids = append(pids, pid)
		}
	}
	return pids
}

// watch is a handle of a process that can be waited for.
type watch struct {
	t  *testing.T
	fd int
}

func watchOf(t *testing.T, pid int) watch {
	t.Helper()
	fd, err := unix.PidfdOpen(pid, 0)
	if err != nil {
		t.Fatalf("process %d: %v", pid, err)
	}
	t.Cleanup(func() { unix.Close(fd) })
	return watch{t, fd}
}

// ended tells whether the process ends within some time.
func (w watch) ended(within time.Duration) bool {
	w.t.Helper()
	for {
		n, err := unix.Poll([]unix.PollFd{{Fd: int32(w.fd), Events: unix.POLLIN}}, int(within/time.Millisecond))
		if err != unix.EINTR {
			return n == 1 // a pidfd can be read from once the process has ended
		}
	}
}

// must fails the test unless the process ends.
func (w watch) must() {
	w.t.Helper()
	if !w.ended(30 * time.Second) {
		w.t.Error("the child does not end")
	}
}

// clock is a clock that a test moves, but for short times, which are real: they
// are those that Close takes.
type clock struct {
	mu    sync.Mutex
	later []func()
}

func (c *clock) afterFunc(d time.Duration, f func()) func() bool {
	if d < time.Minute {
		return time.AfterFunc(d, f).Stop
	}
	var once sync.Once
	c.mu.Lock()
	defer c.mu.Unlock()
	c.later = append(c.later, func() { once.Do(f) })
	return func() bool { once.Do(func() {}); return true }
}

// strike does what waits.
func (c *clock) strike() {
	c.mu.Lock()
	later := c.later
	c.later = nil
	c.mu.Unlock()
	for _, f := range later {
		f()
	}
}

func ask(t *testing.T, r *child.Reader, ranges ...sector.Range) {
	t.Helper()
	for _, s := range ranges {
		if err := r.Ask(s); err != nil {
			t.Fatalf("Ask(%v) = %v; want nil", s, err)
		}
	}
}

func take(t *testing.T, r *child.Reader) device.Answer {
	t.Helper()
	a, err := r.Answer(t.Context())
	if err != nil {
		t.Fatalf("Answer() = %v; want an answer", err)
	}
	return a
}

// class is that of an answer's error, 0 where it has none.
func class(a device.Answer) device.Class {
	if a.Err == nil {
		return 0
	}
	return a.Err.Class
}

func TestChildHoldsTheDriveAlone(t *testing.T) {
	disc := faultydisc.New(t, faultydisc.Options{Sectors: 1000})
	reader(t, Options{Node: disc.Device})
	pids := children(t, os.Getpid())
	if len(pids) != 1 {
		t.Fatalf("children %v; want one", pids)
	}
	got := map[string]int{}
	links, _ := filepath.Glob(fmt.Sprintf("/proc/%d/fd/*", pids[0]))
	for _, link := range links {
		target, err := os.Readlink(link)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(target, "anon_inode:") { // those are the Go runtime's
			target, _, _ = strings.Cut(target, ":[") // "pipe:[123]"
			got[target]++
		}
	}
	want := map[string]int{"/dev/null": 2, "/memfd:words (deleted)": 1, "/memfd:sectors (deleted)": 1, "pipe": 2, disc.Device: 1}
	if !maps.Equal(got, want) {
		t.Errorf("the child holds %v; want %v", got, want)
	}
}

func TestStall(t *testing.T) {
	disc := faultydisc.New(t, faultydisc.Options{Sectors: 1000})
	disc.Hang(sector.Span(500, 1))
	var c clock
	r := reader(t, Options{Node: disc.Device, AfterFunc: c.afterFunc})
	pids := children(t, os.Getpid())
	orphan := watchOf(t, pids[0])
	ask(t, r, sector.Span(0, 16), sector.Span(496, 16))
	if a := take(t, r); a.Err != nil {
		t.Fatalf("answer in front of the hang = %v; want all of it", a.Err)
	}
	ask(t, r, sector.Span(512, 16))
	disc.Await(1)
	c.strike()
	if a := take(t, r); class(a) != device.Stalled || a.Asked != sector.Span(496, 16) {
		t.Fatalf("answer of a drive that hangs = %v to %v; want a stall", a.Err, a.Asked)
	}
	// It was killed, and can't end.
	if orphan.ended(0) {
		t.Fatal("the child has ended; the test shows nothing")
	}
	if err := r.Reopen(t.Context()); err != nil {
		t.Fatalf("Reopen() while the first child hangs = %v; want nil", err)
	}
	ask(t, r, sector.Span(512, 16))
	if a := take(t, r); a.Err != nil || string(a.Data) != string(disc.Content(sector.Span(512, 16))) {
		t.Errorf("answer of the second child = %v; want all of it", a.Err)
	}
	// So it is with a new run of the program.
	another := reader(t, Options{Node: disc.Device})
	ask(t, another, sector.Span(0, 1))
	if a := take(t, another); a.Err != nil {
		t.Errorf("answer of another opening = %v; want all of it", a.Err)
	}
	if orphan.ended(0) {
		t.Error("the orphan has ended; the test shows nothing")
	}
	disc.Release()
	orphan.must()
	// What was dropped behind the stall never reached the drive in its place.
	if n := disc.Counts()[512]; n != 1 {
		t.Errorf("sector 512, dropped once and asked for once, reached the drive %d times; want 1", n)
	}
}

func TestCloseWhileTheDriveHangs(t *testing.T) {
	disc := faultydisc.New(t, faultydisc.Options{Sectors: 1000})
	disc.Hang(sector.Span(500, 1))
	var c clock
	r := reader(t, Options{Node: disc.Device, AfterFunc: c.afterFunc})
	orphan := watchOf(t, children(t, os.Getpid())[0])
	ask(t, r, sector.Span(500, 1))
	disc.Await(1)
	waiting := make(chan error)
	go func() { _, err := r.Answer(context.Background()); waiting <- err }()
	if err := r.Close(); err != nil { // returns though the drive hangs
		t.Errorf("Close() = %v; want nil", err)
	}
	if err := <-waiting; !errors.Is(err, device.ErrClosed) {
		t.Errorf("Answer() while Close is called = %v; want %v", err, device.ErrClosed)
	}
	if orphan.ended(0) {
		t.Error("the child has ended; the test shows nothing")
	}
	disc.Release()
	orphan.must()
}

func TestParentKilledWhileTheChildHangs(t *testing.T) {
	disc := faultydisc.New(t, faultydisc.Options{Sectors: 1000})
	disc.Hang(sector.Span(500, 1))
	parent := exec.Command("/proc/self/exe")
	parent.Env = append(os.Environ(), parentEnv+"="+disc.Device)
	stdin, err := parent.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	defer stdin.Close()
	out, err := parent.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := parent.Start(); err != nil {
		t.Fatal(err)
	}
	line, _ := bufio.NewReader(out).ReadString('\n')
	pid, err := strconv.Atoi(strings.TrimSpace(line))
	if err != nil {
		t.Fatalf("the parent said %q; want its process id", line)
	}
	disc.Await(1)
	orphan := watchOf(t, children(t, pid)[0])
	if err := parent.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	if err := parent.Wait(); err == nil { // returns though its child hangs
		t.Error("the parent ended well; want it killed")
	}
	if orphan.ended(0) {
		t.Error("the child has ended; the test shows nothing")
	}
	r := reader(t, Options{Node: disc.Device})
	ask(t, r, sector.Span(0, 16))
	if a := take(t, r); a.Err != nil {
		t.Errorf("answer in a new run while the orphan hangs = %v; want all of it", a.Err)
	}
	disc.Release()
	orphan.must()
}

func TestErrnoOfADevice(t *testing.T) {
	disc := faultydisc.New(t, faultydisc.Options{Sectors: 1000})
	for i, test := range []struct {
		errno syscall.Errno
		want  device.Class
	}{
		{unix.ENODATA, device.Medium}, {unix.EIO, device.Doubtful}, {unix.EILSEQ, device.Doubtful},
		{unix.ETIMEDOUT, device.Doubtful}, {unix.EREMOTEIO, device.Doubtful}, {unix.ENODEV, device.Gone},
	} {
		at := sector.LBA(16 * i)
		disc.Fail(sector.Span(at, 1), test.errno, faultydisc.Always)
		r := reader(t, Options{Node: disc.Device})
		ask(t, r, sector.Span(at, 16))
		a := take(t, r)
		if class(a) != test.want || a.Err.At != -1 || !errors.Is(a.Err, test.errno) {
			t.Errorf("answer at %v = %v; want %v", test.errno, a.Err, test.want)
			continue
		}
		if err := r.Ask(sector.Span(at+1, 1)); (err != nil) != a.Err.Last() {
			t.Errorf("Ask behind %v = %v", a.Err, err)
		}
	}
}

func TestEverythingFailsAtOnce(t *testing.T) {
	disc := faultydisc.New(t, faultydisc.Options{Sectors: 1000})
	r := reader(t, Options{Node: disc.Device})
	ask(t, r, sector.Span(0, 16))
	take(t, r)
	disc.Abort() // EIO for every sector: only what comes later can tell
	for _, at := range []sector.LBA{0, 500} {
		ask(t, r, sector.Span(at, 1))
		if a := take(t, r); class(a) != device.Doubtful || a.Err.At != at {
			t.Errorf("answer of a device whose server ended = %v; want %v at %d", a.Err, device.Doubtful, at)
		}
	}
}

func TestAFileThatShrinks(t *testing.T) {
	node := image(t, t.TempDir(), 100)
	r := reader(t, Options{Node: node})
	if err := os.Truncate(node, 10*sector.Size+1024); err != nil {
		t.Fatal(err)
	}
	ask(t, r, sector.Span(0, 16))
	if a := take(t, r); class(a) != device.Changed || a.Good() != 10 || !strings.Contains(a.Err.Text, "has 21504 now") {
		t.Errorf("answer = %d good, %v; want 10, disc changed", a.Good(), a.Err)
	}
}

func TestLookAround(t *testing.T) {
	dir := t.TempDir()
	file, other := image(t, dir, 1000), image(t, dir, 900)
	node := faultydisc.Loop(t, file)
	link := filepath.Join(dir, "drive")
	point := func(at string) {
		t.Helper()
		os.Remove(link)
		if err := os.Symlink(at, link); err != nil {
			t.Fatal(err)
		}
	}
	for _, test := range []struct {
		name   string
		err    error
		spoil  func(d *disk)
		want   device.Class
		inText string
	}{
		{"all is well", unix.EIO, func(*disk) {}, device.Doubtful, "EIO"},
		{"the node is another drive's", unix.EIO, func(*disk) { point(faultydisc.Loop(t, other)) }, device.Gone, "ENODEV"},
		{"the node is no more", unix.EIO, func(*disk) { os.Remove(link) }, device.Gone, "ENOENT"},
		{"a medium error needs no look at the node", unix.ENODATA, func(*disk) { os.Remove(link) }, device.Medium, "ENODATA"},
		{"the kernel calls it offline", unix.ENODATA, func(d *disk) {
			d.sysfs, d.stateful = devnode.Dir(t.TempDir()), true
			write(t, filepath.Join(string(d.sysfs), "device/state"), "offline\n")
		}, device.Gone, "offline"},
		{"the kernel has forgotten it", unix.EIO, func(d *disk) { d.sysfs, d.stateful = devnode.Dir(t.TempDir()), true }, device.Gone, "removed"},
		{"another disc by its number", unix.ENODATA, func(d *disk) { d.seq-- }, device.Changed, "another disc was put in"},
		{"another disc by its size", unix.EIO, func(d *disk) { d.size -= sector.Size }, device.Changed, "the disc had 999 sectors and has 1000 now"},
		{"another, much smaller disc", unix.EIO, func(d *disk) { d.size += 76 * sector.Size }, device.Changed, "has 1000 now"},
		{"the same disc, its end cut off by the kernel", unix.EIO, func(d *disk) { d.size += 75 * sector.Size }, device.Doubtful, "EIO"},
		{"a read behind a cut", errEnd, func(d *disk) { d.size += sector.Size }, device.Doubtful, "cut the end off"},
		{"a read of nothing", errEnd, func(*disk) {}, device.Gone, "no bytes"},
	} {
		t.Run(test.name, func(t *testing.T) {
			point(node)
			d := here(t, link)
			test.spoil(d)
			if class, text := d.verdict(test.err); class != test.want || !strings.Contains(text, test.inText) {
				t.Errorf("verdict(%v) = %v, %q; want %v, %q in it", test.err, class, text, test.want, test.inText)
			}
		})
	}
}

// loopChangeFD is LOOP_CHANGE_FD of linux/loop.h: another file of the same size
// behind a read-only loop device.
const loopChangeFD = 0x4C06

func TestAnotherDiscInALoopDevice(t *testing.T) {
	dir := t.TempDir()
	node := faultydisc.Loop(t, image(t, dir, 1000))
	d := here(t, node)
	f, err := os.Open(image(t, dir, 1000))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := unix.IoctlSetInt(d.fd, loopChangeFD, int(f.Fd())); err != nil {
		t.Fatalf("LOOP_CHANGE_FD: %v", err)
	}
	if class, text := d.verdict(unix.EIO); class != device.Changed {
		t.Errorf("verdict after the file behind the device was changed = %v, %q; want %v", class, text, device.Changed)
	}
	if after := here(t, node).info.Medium; after == d.info.Medium {
		t.Errorf("Medium = %q before and after; want another", after)
	}
}
