package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// target is a file system for a case, mounted at no folder: it is reached through
// this process's descriptor, and ends with the test, however that ends.
type target struct {
	t    testing.TB
	root *os.File
}

// mountTarget mounts a file system of a type with these options.
func mountTarget(t testing.TB, fs string, options ...string) target {
	t.Helper()
	fail := func(err error) {
		t.Helper()
		if errors.Is(err, unix.EPERM) || errors.Is(err, unix.ENODEV) || errors.Is(err, unix.ENOSYS) {
			lacking(t, "no %s can be mounted here: %v", fs, err)
		}
		t.Fatalf("mounting %s: %v", fs, err)
	}
	context, err := unix.Fsopen(fs, unix.FSOPEN_CLOEXEC)
	if err != nil {
		fail(err)
	}
	defer unix.Close(context)
	for _, option := range options {
		name, value, _ := strings.Cut(option, "=")
		if err := unix.FsconfigSetString(context, name, value); err != nil {
			fail(fmt.Errorf("%s: %w", option, err))
		}
	}
	if err := unix.FsconfigCreate(context); err != nil {
		fail(err)
	}
	fd, err := unix.Fsmount(context, unix.FSMOUNT_CLOEXEC, 0)
	if err != nil {
		fail(err)
	}
	root := os.NewFile(uintptr(fd), fs)
	t.Cleanup(func() { root.Close() })
	return target{t, root}
}

// path is the name of something on the target, for other processes as well.
func (d target) path(name string) string {
	return filepath.Join("/proc", strconv.Itoa(os.Getpid()), "fd", strconv.Itoa(int(d.root.Fd())), name)
}

// readOnly lets nothing be written any more, or again.
func (d target) readOnly(on bool) {
	d.t.Helper()
	attr := unix.MountAttr{Attr_set: unix.MOUNT_ATTR_RDONLY}
	if !on {
		attr = unix.MountAttr{Attr_clr: unix.MOUNT_ATTR_RDONLY}
	}
	if err := unix.MountSetattr(int(d.root.Fd()), "", unix.AT_EMPTY_PATH, &attr); err != nil {
		d.t.Fatal(err)
	}
}

// madeTarget is a file system of so many bytes, made by a program of some Debian
// package.
func madeTarget(t testing.TB, fs string, bytes int64, pkg, mkfs string, args ...string) target {
	t.Helper()
	tool, err := exec.LookPath(mkfs)
	if err != nil {
		tool = "/sbin/" + mkfs
	}
	if _, err := os.Stat(tool); err != nil {
		lacking(t, "no %s (Debian: %s)", mkfs, pkg)
	}
	image := filepath.Join(t.TempDir(), fs+".img")
	if err := os.WriteFile(image, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(image, bytes); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(tool, append(args, image)...).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", mkfs, err, out)
	}
	return mountTarget(t, fs, "source="+writableLoop(t, image))
}

// sparse is a file that is only a hole.
func sparse(t testing.TB, bytes int64) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "huge.iso")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(bytes); err != nil {
		t.Fatal(err)
	}
	return path
}

// writableLoop attaches a file to a loop device until nobody has it open.
func writableLoop(t testing.TB, path string) string {
	t.Helper()
	faultydisc.New(t, faultydisc.Options{Sectors: 1}) // skips where there are no loop devices
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	control, err := os.OpenFile("/dev/loop-control", os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer control.Close()
	for {
		n, err := unix.IoctlRetInt(int(control.Fd()), unix.LOOP_CTL_GET_FREE)
		if err != nil {
			t.Fatal(err)
		}
		device, err := os.OpenFile("/dev/loop"+strconv.Itoa(n), os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		config := unix.LoopConfig{Fd: uint32(file.Fd())}
		config.Info.Flags = unix.LO_FLAGS_AUTOCLEAR
		if err = unix.IoctlLoopConfigure(int(device.Fd()), &config); err == nil {
			t.Cleanup(func() { device.Close() })
			return device.Name()
		}
		device.Close()
		if !errors.Is(err, unix.EBUSY) { // another process was quicker
			t.Fatal(err)
		}
	}
}

// The case's disk is full in the middle of a pass: one sentence, the map still
// true; with room again the pass goes on.
func TestTargetFull(t *testing.T) {
	t.Parallel()
	full := mountTarget(t, "tmpfs", "size=64M")
	w := newWitness(t, faultydisc.Options{Sectors: 24 << 10, Seed: 30}) // 48 MiB
	w.dir = full.path("case")
	w.read("--only", "0-4095").is(exitMissing)
	ballast, err := os.Create(full.path("ballast"))
	if err != nil {
		t.Fatal(err)
	}
	defer ballast.Close()
	if err := unix.Fallocate(int(ballast.Fd()), 0, 0, 40<<20); err != nil {
		t.Fatal(err)
	}
	end := w.read().is(exitFailed, "no space left on device", "go on with the same command", "MB free and")
	if strings.Contains(end.err, "panic") {
		t.Errorf("it said:\n%s", end.err)
	}
	w.ended("error")
	w.truthful()
	turnstone(t, "status", w.dir).is(exitDone, "ended by an error")
	w.read().is(exitFailed, "no space left on device") // as full as before
	w.truthful()
	if err := os.Remove(ballast.Name()); err != nil {
		t.Fatal(err)
	}
	ballast.Close()
	w.read().is(exitDone)
	w.truthful()
	w.whole()
}

// A disk that is full to its last byte has room for what the map is to learn of
// the sectors that filled it.
func TestTargetFullToTheLastByte(t *testing.T) {
	t.Parallel()
	full := mountTarget(t, "tmpfs", "size=16M")
	path := full.path("map.db")
	m := mapfile.New("full")
	m.AddRound(mapfile.Round{})
	const n, epoch = 64 << 10, 32 << 10 // 64 MiB between two commits
	err := m.SetDisc(mapfile.Disc{Sectors: n, Written: sector.Of(sector.Span(0, n))})
	if err == nil {
		_, err = m.AddPass(mapfile.Pass{Drive: -1})
	}
	if err == nil {
		err = mapfile.Create(path, m)
	}
	if err != nil {
		t.Fatal(err)
	}
	ballast, err := os.Create(full.path("ballast"))
	if err != nil {
		t.Fatal(err)
	}
	defer ballast.Close()
	for err == nil {
		_, err = ballast.Write(make([]byte, os.Getpagesize()))
	}
	if !errors.Is(err, unix.ENOSPC) {
		t.Fatal(err)
	}
	// Every second sector: no map of so many is larger.
	for a := sector.LBA(0); a < 2*epoch; a += 2 {
		run := mapfile.Run{Range: sector.Span(a, 1), Result: mapfile.Delivered, Attempts: 1, Took: mapfile.TimeClass(a / 2 % 200)}
		if _, err := m.Record(0, run, []uint32{uint32(a) * 2654435761}); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Commit(path); err != nil {
		t.Fatalf("Commit() on a full disk = %v; want nil", err)
	}
	if problems, err := mapfile.Check(path); err != nil || len(problems) > 0 {
		t.Errorf("Check() = %q, %v; want none, nil", problems, err)
	}
	if m, err = mapfile.Open(path); err != nil || m.Count(mapfile.Good) != epoch {
		t.Errorf("Open() = %v; want %d good sectors", err, epoch)
	}
}

func TestTargetReadOnly(t *testing.T) {
	t.Parallel()
	place := mountTarget(t, "tmpfs")
	w := newWitness(t, faultydisc.Options{Sectors: 1024, Seed: 31})
	w.dir = place.path("case")
	w.read("--only", "0-511").is(exitMissing)
	before := treeOf(t, w.dir)
	place.readOnly(true)
	turnstone(t, "read", w.dir, "--drive", w.disc.Device).is(exitFailed, "read-only file system")
	turnstone(t, "read", place.path("other"), "--drive", w.disc.Device).is(exitFailed, "read-only file system")
	if n := len(w.disc.Requests()); n > 0 {
		t.Errorf("the disc was asked %d times; want the refusal before", n)
	}
	turnstone(t, "status", w.dir).is(exitDone, "512 of 1,024 sectors")
	turnstone(t, "check", w.dir).is(exitDone)
	if after := treeOf(t, w.dir); after != before {
		t.Errorf("the case was\n%s\nand is\n%s", before, after)
	}
	place.readOnly(false)
	w.read().is(exitDone)
	w.whole()
}

// A disc larger than the largest file there is refused before it is read. On ext2
// with blocks of 1 KiB that is 16 GiB and some (three levels of indirect blocks).
func TestTargetTakesNoFileSoLarge(t *testing.T) {
	t.Parallel()
	place := madeTarget(t, "ext2", 40<<20, "e2fsprogs", "mke2fs", "-q", "-F", "-t", "ext2", "-b", "1024")
	refusesLargeDisc(t, place, 17<<30)
}

func refusesLargeDisc(t *testing.T, place target, bytes int64) {
	t.Helper()
	w := newWitness(t, faultydisc.Options{Backing: sparse(t, bytes)})
	w.dir = place.path("case")
	turnstone(t, "read", w.dir, "--drive", w.disc.Device).is(exitFailed, "put the case on another file system")
	if n := len(w.disc.Requests()); n > 0 {
		t.Errorf("the disc was asked %d times; want the refusal before", n)
	}
	turnstone(t, "status", w.dir).is(exitFailed, "not a case")
	// The folder may be used again, for a disc that fits.
	w = newWitness(t, faultydisc.Options{Sectors: 1024, Seed: 32})
	w.dir = place.path("case")
	w.read().is(exitDone)
	w.whole()
}

// FAT takes no file of 4 GiB and knows no holes: the one is refused, of the other
// is warned.
func TestTargetIsFAT(t *testing.T) {
	t.Parallel()
	known, err := os.ReadFile("/proc/filesystems")
	if err != nil || !strings.Contains(string(known), "\tvfat\n") {
		t.Skip("this kernel knows no vfat, and no package helps that")
	}
	place := madeTarget(t, "vfat", 40<<20, "dosfstools", "mkfs.vfat", "-F", "32")
	refusesLargeDisc(t, place, 4<<30+sector.Size)
	disc := faultydisc.New(t, faultydisc.Options{Sectors: 1024, Seed: 35})
	turnstone(t, "read", place.path("other"), "--drive", disc.Device).is(exitDone, "is on FAT")
}

// Where a file system knows no holes everything works: also taking out what a
// killed pass has left.
func TestTargetWithoutHoles(t *testing.T) {
	t.Parallel()
	place := mountTarget(t, "ramfs")
	w := newWitness(t, faultydisc.Options{Sectors: 4096, Seed: 33})
	w.dir = place.path("case")
	w.read("--only", "0-1023").is(exitMissing)
	w.disc.Hang(sector.Span(3000, 1))
	r := w.start()
	w.disc.Await(1)
	w.disc.Release()
	r.kill()
	w.judge(r.wait())
	w.truthful()
	w.disc.Fail(sector.Span(2000, 1), unix.ENODATA, faultydisc.Always)
	w.read().is(exitMissing)
	w.truthful()
	w.disc.Heal()
	w.read("--again").is(exitDone)
	w.whole()
}

// A disk that may prove too small is warned of, and the pass goes on.
func TestTargetTooSmall(t *testing.T) {
	t.Parallel()
	small := mountTarget(t, "tmpfs", "size=32M")
	w := newWitness(t, faultydisc.Options{Sectors: 2048, Seed: 34})
	w.dir = small.path("case")
	end := turnstone(t, "read", w.dir, "--drive", w.disc.Device)
	end.is(exitDone, "MB free and 4 MB are missing", "what came until then stays")
	w.whole()
}
