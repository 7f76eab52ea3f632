package main

import (
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// While a pass makes a thousand checkpoints, status --list is asked over and over.
// Every answer is whole and true, and no checkpoint fails for it. The pass is run
// by this process, as often as it can; status by the built program.
func TestReadersDuringAThousandCheckpoints(t *testing.T) {
	t.Parallel()
	const (
		requests = 1600
		n        = requests * 16
	)
	dir := filepath.Join(memoryDir(t), "case")
	drive := devicetest.NewFake(n, devicetest.Options{Info: device.Info{Kind: "dvd", WholeBlocks: true, MaxSectors: 16, Depth: 1}})
	var bad sector.Set
	for a := sector.LBA(0); a < n; a += 16 * 8 { // every eighth block
		bad.Add(sector.Span(a, 16))
		drive.Fail(sector.Span(a, 1), device.Medium, devicetest.Always)
	}
	info := drive.Info()
	c, err := imager.Create(dir, imager.Writer{Command: "test", CaseID: "invented", Now: time.Now}, imager.DiscOf(info))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	watch := watchStatus(t, dir)
	program(t) // built before the pass begins

	var heard countEvents
	over := make(chan struct{})
	go func() {
		defer close(over)
		end, err := c.Read(t.Context(), imager.Reading{
			Reader: drive, Listener: &heard, CheckpointTime: 1, CheckpointBytes: 1,
		})
		if err != nil || end.How != imager.HowComplete {
			t.Errorf("Read() = %+v, %v; want %s, nil", end, err, imager.HowComplete)
		}
	}()
	var askers sync.WaitGroup
	answers := make([]int, 2)
	for i := range answers {
		askers.Go(func() {
			before := sector.Set{}
			for {
				select {
				case <-over:
					return
				default:
				}
				got := listed(t, dir, "bad")
				if lost := before.Subtract(&got); !lost.Empty() || !covers(bad, got) {
					t.Errorf("status --list bad = %v after %v; want more and more of every eighth block", got, before)
					return
				}
				before = got
				answers[i]++
			}
		})
	}
	askers.Wait()
	<-over
	checkpoints := watch()
	t.Logf("%d checkpoints, %v answers meanwhile, %d checkpoints put off", checkpoints, answers, heard.of(imager.KindPutOff))
	if checkpoints < 1000 {
		t.Errorf("checkpoints = %d; want 1000 or more, or the test shows little", checkpoints)
	}
	for _, n := range answers {
		if n < 3 {
			t.Errorf("status answered %v times; want it to be asked meanwhile", answers)
		}
	}
	if got := listed(t, dir, "bad"); !got.Equal(&bad) {
		t.Errorf("status --list bad in the end = %v; want every eighth block", got)
	}
	if err := c.Close(); err != nil {
		t.Errorf("Close() = %v; want nil", err)
	}
	turnstone(t, "check", "--deep", dir).is(exitDone)
}

// memoryDir is a folder on a file system in memory where there is one: there are
// thousands of syncs to be made.
func memoryDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "turnstone-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// watchStatus counts how often a case's status.json is replaced, which the last
// step of every checkpoint does, until the returned function is called.
func watchStatus(t *testing.T, dir string) func() int {
	t.Helper()
	fd, err := unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(fd) })
	// The kernel makes one event of equal ones that follow each other: here a name
	// that goes stands between the names that come.
	if _, err := unix.InotifyAddWatch(fd, dir, unix.IN_MOVED_FROM|unix.IN_MOVED_TO); err != nil {
		t.Fatal(err)
	}
	return func() int {
		// An event is 16 bytes and the name, padded to 16 more (inotify(7)), if it
		// is as short as those here.
		const size = 32
		count, buf := 0, make([]byte, 1<<20)
		for {
			n, err := unix.Read(fd, buf)
			if err == unix.EAGAIN {
				return count
			}
			if err != nil {
				t.Fatal(err)
			}
			for at := 0; at+size <= n; at += size {
				switch name := strings.TrimRight(string(buf[at+16:at+size]), "\x00"); name {
				case "status.json":
					count++
				case "status.json.new":
				default:
					t.Fatalf("a file %q was renamed in the case", name)
				}
			}
		}
	}
}

// countEvents is a listener that counts events by their kind.
type countEvents struct {
	mu     sync.Mutex
	counts map[string]int
}

func (c *countEvents) Event(e mapfile.Event) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.counts == nil {
		c.counts = map[string]int{}
	}
	c.counts[e.Kind]++
}

func (c *countEvents) Progress(imager.Progress) {}

func (c *countEvents) of(kind string) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.counts[kind]
}
