package blockdev

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/devicetest"
	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

func TestMain(m *testing.M) {
	faultydisc.Main()
	child.Main(map[string]child.Opener{Opener: Serve})
	if node := os.Getenv(parentEnv); node != "" {
		beParent(node)
	}
	os.Exit(m.Run())
}

// image is a file of that many sectors, patterned.
func image(t testing.TB, dir string, sectors int64) string {
	t.Helper()
	f, err := os.CreateTemp(dir, "turnstone-*.iso")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	t.Cleanup(func() { os.Remove(f.Name()) })
	if _, err := f.Write(devicetest.Image(devicetest.Pattern, sectors)); err != nil {
		t.Fatal(err)
	}
	return f.Name()
}

// reader opens a device or file, as the program does.
func reader(t *testing.T, o Options) *child.Reader {
	t.Helper()
	if o.Stall == 0 {
		o.Stall = time.Hour
	}
	r, err := Open(t.Context(), o)
	if err != nil {
		t.Fatalf("Open(%s) = %v; want nil", o.Node, err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// here opens a device or file in this process.
func here(t *testing.T, node string) *disk {
	t.Helper()
	d, err := open(node)
	if err != nil {
		t.Fatalf("open(%s) = %v; want nil", node, err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

func conforms(t *testing.T, node string, d devicetest.Disc) {
	devicetest.Run(t, func(t *testing.T) device.Reader { return reader(t, Options{Node: node}) }, d)
}

func TestFileConforms(t *testing.T) {
	conforms(t, image(t, t.TempDir(), 1001), devicetest.Disc{Content: devicetest.Pattern})
}

func TestFileThroughTheCacheConforms(t *testing.T) {
	dir := "/dev/shm" // memory: no file there can be read past it
	if _, err := os.Stat(dir); err != nil {
		t.Skip("no memory file system at /dev/shm")
	}
	node := image(t, dir, 1001)
	if d := here(t, node); !d.cache {
		t.Skip("files in /dev/shm are read past the cache here")
	}
	conforms(t, node, devicetest.Disc{Content: devicetest.Pattern})
}

func TestLoopDeviceConforms(t *testing.T) {
	conforms(t, faultydisc.Loop(t, image(t, t.TempDir(), 1001)), devicetest.Disc{Content: devicetest.Pattern})
}

func TestFaultyDiscConforms(t *testing.T) {
	bad := []devicetest.Bad{
		{Range: sector.Span(100, 3), Class: device.Medium},
		{Range: sector.Span(300, 1), Class: device.Doubtful},
		{Range: sector.Span(999, 1), Class: device.Medium},
	}
	disc := faultydisc.New(t, faultydisc.Options{Backing: image(t, t.TempDir(), 1000)})
	disc.Fail(bad[0].Range, unix.ENODATA, faultydisc.Always)
	disc.Fail(bad[1].Range, unix.EIO, faultydisc.Always)
	disc.Fail(bad[2].Range, unix.ENODATA, faultydisc.Always)
	conforms(t, disc.Device, devicetest.Disc{Content: devicetest.Pattern, Bad: bad})
}

// loop4096 attaches a file to a loop device with logical sectors of 4096 bytes.
func loop4096(t *testing.T, path string) string {
	t.Helper()
	node := faultydisc.Loop(t, path) // skips where there are none
	f, err := os.Open(node)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := unix.IoctlSetInt(int(f.Fd()), unix.LOOP_SET_BLOCK_SIZE, 4096); err != nil {
		t.Fatal(err)
	}
	return node
}

func TestDeviceWithLongSectorsConforms(t *testing.T) {
	node := loop4096(t, image(t, t.TempDir(), 1000))
	if d := here(t, node); d.unit != 4096 {
		t.Fatalf("unit of a device with sectors of 4096 bytes = %d; want 4096", d.unit)
	}
	conforms(t, node, devicetest.Disc{Content: devicetest.Pattern})
}

func TestReadsAsWidelyAsTheUnit(t *testing.T) {
	for _, test := range []struct {
		unit int64
		size int64 // sectors of the file
	}{{2048, 999}, {4096, 999}, {4096, 1000}, {65536, 999}} {
		d := here(t, image(t, t.TempDir(), test.size))
		d.unit = test.unit
		want := make([]byte, sector.Size)
		buf, err := unix.Mmap(-1, 0, 70*sector.Size, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANONYMOUS)
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Munmap(buf)
		for _, r := range []sector.Range{sector.Span(0, 1), sector.Span(1, 1), sector.Span(31, 2), sector.Span(5, 64),
			sector.Span(32, 32), sector.Span(sector.LBA(test.size-1), 1), sector.Span(sector.LBA(test.size-33), 33)} {
			if o := d.Read(r, buf[:r.Bytes()]); o.Err != nil || o.Good != r.Count() {
				t.Errorf("unit %d of %d sectors: Read(%v) = %d good, %v; want all", test.unit, test.size, r, o.Good, o.Err)
				continue
			}
			for i := range sector.LBA(r.Count()) {
				devicetest.Pattern(r.First+i, want)
				if string(buf[i.Offset():][:sector.Size]) != string(want) {
					t.Errorf("unit %d of %d sectors: Read(%v) has another sector %d", test.unit, test.size, r, r.First+i)
				}
			}
		}
	}
}

func TestKinds(t *testing.T) {
	node := image(t, t.TempDir(), 64)
	for kind, want := range map[string]device.Info{
		"":    {Kind: "unknown", BlockSectors: 16},
		"cd":  {Kind: "cd", BlockSectors: 1},
		"dvd": {Kind: "dvd", BlockSectors: 16, WholeBlocks: true},
		"bd":  {Kind: "bd", BlockSectors: 32, WholeBlocks: true},
	} {
		i := reader(t, Options{Node: node, Kind: kind}).Info()
		if i.Kind != want.Kind || i.BlockSectors != want.BlockSectors || i.WholeBlocks != want.WholeBlocks || i.MaxSectors < 64 {
			t.Errorf("Info() of kind %q = %+v; want %s in blocks of %d, whole ones %v, 64 or more a request",
				kind, i, want.Kind, want.BlockSectors, want.WholeBlocks)
		}
	}
	if _, err := Open(t.Context(), Options{Node: node, Kind: "laser disc", Stall: time.Hour}); err == nil {
		t.Error(`Open of kind "laser disc" = nil; want an error`)
	}
}

// An optical drive gets shorter requests than other devices.
func TestLargestRequest(t *testing.T) {
	for _, c := range []struct {
		d    disk
		want int
	}{
		{disk{block: true, dev: unix.Mkdev(11, 0)}, opticalSectors}, // sr0
		{disk{block: true, dev: unix.Mkdev(7, 11)}, maxSectors},     // loop11
		{disk{dev: unix.Mkdev(11, 0)}, maxSectors},                  // a file
	} {
		if got := c.d.largest(); got != c.want || got%32 != 0 {
			t.Errorf("largest() of %+v = %d; want %d, whole blocks of every kind", c.d, got, c.want)
		}
	}
}

func TestNodeIsAbsolute(t *testing.T) {
	dir := t.TempDir()
	file := image(t, dir, 16)
	link := filepath.Join(dir, "my disc")
	if err := os.Symlink(file, link); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	if got := reader(t, Options{Node: "my disc"}).Info().Node; got != link {
		t.Errorf("Info().Node of a name in this folder = %q; want %q", got, link)
	}
}

func TestMediumOfAFileChangesWithIt(t *testing.T) {
	node := image(t, t.TempDir(), 16)
	before := here(t, node).info.Medium
	if again := here(t, node).info.Medium; before == "" || again != before {
		t.Errorf("Medium = %q, again %q; want the same, not empty", before, again)
	}
	if err := os.Chtimes(node, time.Time{}, time.Unix(1, 0)); err != nil {
		t.Fatal(err)
	}
	if after := here(t, node).info.Medium; after == before {
		t.Errorf("Medium after the file was written = %q as before; want another", after)
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	write(t, at("empty"), "")
	write(t, at("odd"), strings.Repeat("x", 2047))
	write(t, at("raw"), strings.Repeat("x", 2352*3))
	if err := unix.Mkfifo(at("pipe"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct{ node, what, cure string }{
		{at("absent"), "there is no such device or file", "Check the name"},
		{at("odd") + "/below a file", "there is no such device or file", "Check the name"},
		{dir, "it is a folder", "Name a drive"},
		{"/dev/null", "it is a character device", "Name a drive"},
		{at("pipe"), "it is a pipe", "Name a drive"},
		{at("empty"), "the file is empty", "Name an image"},
		{at("odd"), "its size of 2047 bytes is not a multiple of 2048", "sectors of 2048 bytes"},
		{at("raw"), "its size of 7056 bytes is not a multiple of 2048", "raw CD image"},
	} {
		_, err := Open(t.Context(), Options{Node: test.node, Stall: time.Hour})
		e, ok := errors.AsType[*device.OpenError](err)
		if !ok || e.Node != test.node || !strings.Contains(e.What, test.what) || !strings.Contains(e.Cure, test.cure) {
			t.Errorf("Open(%s) = %v; want %q and %q", test.node, err, test.what, test.cure)
		}
	}
}

func TestOpenWithoutPermission(t *testing.T) {
	if os.Geteuid() != 0 {
		if os.Getenv("CI") == "true" {
			t.Fatal("only root can become nobody")
		}
		t.Skip("only root can become nobody")
	}
	node := image(t, "", 16)
	if err := os.Chmod(node, 0o600); err != nil {
		t.Fatal(err)
	}
	runtime.LockOSThread() // and this thread alone becomes nobody, for files
	defer runtime.UnlockOSThread()
	if err := unix.Setfsuid(65534); err != nil {
		t.Fatal(err)
	}
	defer unix.Setfsuid(0)
	_, err := open(node)
	if e, ok := errors.AsType[*device.OpenError](err); !ok || e.What != "no permission to read it" ||
		!strings.Contains(e.Cure, "chmod a+r") || !errors.Is(err, unix.EACCES) {
		t.Errorf("open without permission = %v; want that, with the cure", err)
	}
}

func TestLoopDeviceWithoutAFile(t *testing.T) {
	faultydisc.Loop(t, image(t, t.TempDir(), 16)) // skips where there are none
	control, err := os.OpenFile("/dev/loop-control", os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer control.Close()
	n, err := unix.IoctlRetInt(int(control.Fd()), unix.LOOP_CTL_GET_FREE)
	if err != nil {
		t.Fatal(err)
	}
	_, err = open("/dev/loop" + strconv.Itoa(n))
	if e, ok := errors.AsType[*device.OpenError](err); !ok || !e.NoDisc && !errors.Is(err, unix.ENXIO) {
		t.Errorf("open of a loop device without a file = %v; want no disc in it", err)
	}
}

func TestInUse(t *testing.T) {
	node := faultydisc.Loop(t, image(t, t.TempDir(), 16))
	fd, err := unix.Open(node, unix.O_RDONLY|unix.O_EXCL|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = open(node)
	if e, ok := errors.AsType[*device.OpenError](err); !ok || e.What != "another program has it to itself" || !errors.Is(err, unix.EBUSY) {
		t.Errorf("open of a device in exclusive use = %v; want that it is", err)
	}
	unix.Close(fd)
	first := here(t, node)
	second := here(t, node) // we are not exclusive ourselves
	if first.fd == second.fd {
		t.Errorf("two openings have one descriptor, %d", first.fd)
	}
}

func TestMounted(t *testing.T) {
	mke2fs, err := exec.LookPath("mke2fs")
	if err != nil {
		mke2fs = "/sbin/mke2fs"
	}
	if _, err := os.Stat(mke2fs); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("no mke2fs (Debian: e2fsprogs)")
		}
		t.Skip("no mke2fs (Debian: e2fsprogs)")
	}
	file := image(t, t.TempDir(), 512)
	if out, err := exec.Command(mke2fs, "-q", "-F", "-b", "4096", file).CombinedOutput(); err != nil {
		t.Fatalf("mke2fs: %v: %s", err, out)
	}
	node := faultydisc.Loop(t, file)
	point := filepath.Join(t.TempDir(), "my disc")
	if err := os.Mkdir(point, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount(node, point, "ext2", unix.MS_RDONLY, ""); err != nil {
		t.Fatalf("mount: %v", err)
	}
	_, err = Open(t.Context(), Options{Node: node, Stall: time.Hour})
	if err := unix.Unmount(point, 0); err != nil {
		t.Fatalf("umount: %v", err)
	}
	e, ok := errors.AsType[*device.OpenError](err)
	if !ok || e.What != "it is mounted at "+point || e.Cure != "Unmount it first: umount '"+point+"'" {
		t.Errorf("Open of a mounted device = %#v; want where it is mounted and how to end that", err)
	}
	reader(t, Options{Node: node})
}
