package imager

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// clock is a wall clock that stands still.
func clock() time.Time { return epochTime }

// made is a case in a folder of its own, of a disc of so many sectors, open.
func made(t *testing.T, sectors int64) *Case {
	t.Helper()
	c, err := Create(filepath.Join(quickDir(t), "case"), Writer{CaseID: "case", Now: clock}, plainDisc(sectors))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func plainDisc(sectors int64) mapfile.Disc {
	return mapfile.Disc{Kind: "unknown", Sectors: sectors, BlockSectors: 16, Written: sector.Of(sector.Span(0, sectors))}
}

func size(t *testing.T, path string) int64 {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	return info.Size()
}

// A program that is killed between lengthening the image and telling the map of
// it leaves zeros behind the end. That is no damage, and the next writer takes
// them away; anything else there was put in by somebody.
func TestImageLongerThanTheMapSays(t *testing.T) {
	c := made(t, 32)
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	image := filepath.Join(c.Dir, imageName)
	if err := os.Truncate(image, 1000*sector.Size+1); err != nil {
		t.Fatal(err)
	}
	if res, err := Check(c.Dir, true); err != nil || len(res.Problems) > 0 {
		t.Errorf("Check(longer by a hole) = %q, %v; want no problem", res.Problems, err)
	}
	c, err := Open(c.Dir, Writer{Now: clock})
	if err != nil {
		t.Fatalf("Open(longer by a hole) = %v; want nil", err)
	}
	if got := size(t, image); got != 32*sector.Size {
		t.Errorf("the image has %d bytes once the case was opened; want %d", got, 32*sector.Size)
	}
	c.Close()
	f, err := os.OpenFile(image, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	f.WriteAt([]byte{1}, 40*sector.Size)
	f.Close()
	if _, err := Open(c.Dir, Writer{Now: clock}); !errors.Is(err, ErrImage) {
		t.Errorf("Open(longer by data) = %v; want ErrImage", err)
	}
	if got := size(t, image); got != 40*sector.Size+1 {
		t.Errorf("the image has %d bytes after it was refused; want it as it was", got)
	}
}

// What can't be made leaves no folder behind that is no case; a folder that was
// there stays.
func TestFailedCreateLeavesNothing(t *testing.T) {
	bad := mapfile.Disc{Sectors: -1}
	dir := filepath.Join(quickDir(t), "case")
	if _, err := Create(dir, Writer{Now: clock}, bad); err == nil {
		t.Fatal("Create(a disc that can't be) = nil; want an error")
	}
	if _, err := os.Stat(dir); !os.IsNotExist(err) {
		t.Errorf("Stat(folder) = %v after a failed Create; want that it is not there", err)
	}
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if _, err := Create(dir, Writer{Now: clock}, bad); err == nil {
		t.Fatal("Create(a disc that can't be) = nil; want an error")
	}
	if _, err := os.Stat(dir); err != nil {
		t.Errorf("Stat(the user's folder) = %v after a failed Create; want nil", err)
	}
	c, err := Create(dir, Writer{CaseID: "case", Now: clock}, plainDisc(16))
	if err != nil {
		t.Fatalf("Create() after a failed one = %v; want nil", err)
	}
	c.Close()
}

// A case is its owner's alone, also in a folder that was there for all to see.
func TestCaseIsPrivate(t *testing.T) {
	dir := filepath.Join(quickDir(t), "case")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	c, err := Create(dir, Writer{CaseID: "case", Now: clock}, plainDisc(16))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.saveRecords(); err != nil {
		t.Fatal(err)
	}
	c.Close()
	for name, want := range map[string]os.FileMode{
		"": 0o700, imageName: 0o600, mapName: 0o600, lockName: 0o600, statusName: 0o600,
	} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != want {
			t.Errorf("Stat(%q) = %v, %v; want mode %v", name, info, err, want)
		}
	}
}

// The opening that finds a killed pass says so in the snapshot too.
func TestStatusTellsOfAKilledPass(t *testing.T) {
	c := made(t, 32)
	d := c.m.AddDrive(mapfile.Drive{Node: "/dev/fake"})
	if _, err := c.m.AddPass(mapfile.Pass{Drive: d, Started: epochTime}); err != nil {
		t.Fatal(err)
	}
	if err := c.saveRecords(); err != nil {
		t.Fatal(err)
	}
	c.Close()
	c, err := Open(c.Dir, Writer{Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	b, err := os.ReadFile(filepath.Join(c.Dir, statusName))
	if err != nil || !strings.Contains(string(b), `"ended": "killed"`) {
		t.Errorf("%s after a kill = %s, %v; want a pass that ended %q", statusName, b, err, HowKilled)
	}
}

// No file of the case is read into it, by whatever name.
func TestIsOwn(t *testing.T) {
	c := made(t, 32)
	outside := t.TempDir()
	link, other := filepath.Join(outside, "link.iso"), filepath.Join(outside, "other.iso")
	if err := os.Symlink(filepath.Join(c.Dir, imageName), link); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(other, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for node, want := range map[string]bool{
		filepath.Join(c.Dir, imageName): true, filepath.Join(c.Dir, mapName): true, link: true,
		other: false, "/dev/null": false, filepath.Join(outside, "none"): false,
	} {
		if got := c.IsOwn(node); got != want {
			t.Errorf("IsOwn(%s) = %v; want %v", node, got, want)
		}
	}
}

// The kernel tells which file lies behind a loop device: here as it lays its
// folders out (Documentation/ABI/testing/sysfs-block-loop), a test of the command
// asks the kernel itself.
func TestLoopFile(t *testing.T) {
	sys := t.TempDir()
	disk := filepath.Join(sys, "devices/virtual/block/loop7")
	class := filepath.Join(sys, "class/block")
	for _, dir := range []string{filepath.Join(disk, "loop"), filepath.Join(disk, "loop7p1"), filepath.Join(sys, "devices/sr0"), class} {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(disk, "loop/backing_file"), []byte("/a case/image.iso\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, to := range map[string]string{"loop7": disk, "loop7p1": filepath.Join(disk, "loop7p1"), "sr0": filepath.Join(sys, "devices/sr0")} {
		if err := os.Symlink(to, filepath.Join(class, name)); err != nil {
			t.Fatal(err)
		}
	}
	for node, want := range map[string]string{
		"/dev/loop7": "/a case/image.iso", "/dev/loop7p1": "/a case/image.iso", "/dev/sr0": "", "/dev/none": "", "/tmp/loop7": "",
	} {
		if got := loopFile(sys, node); got != want {
			t.Errorf("loopFile(%s) = %q; want %q", node, got, want)
		}
	}
}

// A second writer learns who the first one is, however long its command line;
// what a killed one has left in the lock file names nobody.
func TestInUseNamesTheHolder(t *testing.T) {
	c := made(t, 32)
	c.Close()
	long := strings.Repeat("\x01", 100_000)
	c, err := Open(c.Dir, Writer{Command: long, Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	_, err = Open(c.Dir, Writer{Now: clock})
	if used, ok := errors.AsType[*InUseError](err); !ok || used.PID != os.Getpid() || !strings.HasPrefix(long, used.Command) {
		t.Errorf("Open(a case in use) = %.200v; want an InUseError with process %d", err, os.Getpid())
	}
	c.Close()

	const nobody = 1 << 30 // above the largest process id of Linux, 2^22 (proc_sys_kernel(5))
	stale := fmt.Sprintf(`{"pid":%d,"command":"killed"}`, nobody)
	if err := os.WriteFile(filepath.Join(c.Dir, lockName), []byte(stale), 0o600); err != nil {
		t.Fatal(err)
	}
	shared, err := shareLock(c.Dir)
	if err != nil {
		t.Fatal(err)
	}
	_, err = Open(c.Dir, Writer{Now: clock})
	if used, ok := errors.AsType[*InUseError](err); !ok || used.PID != 0 {
		t.Errorf("Open(a case that is only read) = %v; want an InUseError without a process", err)
	}
	shared.Close()
	if c, err = Open(c.Dir, Writer{Now: clock}); err != nil {
		t.Fatalf("Open() after a kill = %v; want nil", err)
	}
	c.Close()
}
