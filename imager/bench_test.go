package imager_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device/blockdev"
	"turnstone/device/faultydisc"
	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

const (
	benchSectors = 512 << 10 // 1 GiB
	benchRequest = 512 << 10 // bytes: what the engine asks such a device for
)

// BenchmarkCleanDevice reads a clean loop device, whose file is in the page
// cache, onto the same disk, to the last sync, three ways in turn:
//
//   - the engine: a child that reads, into a new case, with its checksums,
//     checkpoints and map, the making of the case counted;
//   - a bare copy: one goroutine reads past the cache, another one writes;
//   - dd by 256 KiB, past the cache, one thing after the other.
//
// Each operation is one round of the three. The figures are the medians of all
// rounds and the engine's part of both; -benchtime 9x gives fair ones.
func BenchmarkCleanDevice(b *testing.B) {
	dir := b.TempDir()
	source := filepath.Join(dir, "disc.iso")
	writeDisc(b, source, benchSectors)
	node := throughCache(b, source)
	ways := []struct {
		name string
		copy func(b *testing.B, node, to string)
		took []time.Duration
	}{
		{name: "engine", copy: engineCopy},
		{name: "bare", copy: bareCopy},
		{name: "dd", copy: ddCopy},
	}
	warm(b, source)
	for i := 0; b.Loop(); i++ {
		for k := range ways {
			w := &ways[(i+k)%len(ways)] // none is always the first
			to := filepath.Join(dir, w.name)
			syscall.Sync() // what the one before has left is not this one's to write
			began := time.Now()
			w.copy(b, node, to)
			w.took = append(w.took, time.Since(began).Round(time.Millisecond))
			if err := os.RemoveAll(to); err != nil {
				b.Fatal(err)
			}
		}
	}
	median := func(all []time.Duration) float64 { return slices.Sorted(slices.Values(all))[len(all)/2].Seconds() }
	engine := median(ways[0].took)
	for _, w := range ways {
		b.Logf("%-6s %v", w.name, w.took)
		b.ReportMetric(benchSectors*sector.Size/1e6/median(w.took), w.name+"-MB/s")
		if w.name != "engine" {
			b.ReportMetric(median(w.took)/engine, "of-"+w.name)
		}
	}
	b.ReportMetric(0, "ns/op")
}

// throughCache attaches a file to a loop device that reads it through the page
// cache.
func throughCache(b *testing.B, path string) string {
	b.Helper()
	node := faultydisc.Loop(b, path)
	f, err := os.Open(node)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	if err := unix.IoctlSetInt(int(f.Fd()), unix.LOOP_SET_DIRECT_IO, 0); err != nil {
		b.Fatal(err)
	}
	return node
}

// warm brings a file into the page cache.
func warm(b *testing.B, path string) {
	b.Helper()
	f, err := os.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	buf := make([]byte, 1<<20)
	for at := int64(0); at < benchSectors*sector.Size; at += int64(len(buf)) {
		if _, err := f.ReadAt(buf, at); err != nil {
			b.Fatal(err)
		}
	}
}

// engineCopy opens drive and case, runs a pass and closes them, as the command
// does.
func engineCopy(b *testing.B, node, to string) {
	r, err := blockdev.Open(b.Context(), blockdev.Options{Node: node, Stall: time.Minute})
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	c, err := imager.Create(to, imager.Writer{CaseID: "bench", Now: time.Now}, mapfile.Disc{
		Kind: "unknown", Sectors: benchSectors, BlockSectors: 16, Written: sector.Of(sector.Span(0, benchSectors))})
	if err != nil {
		b.Fatal(err)
	}
	end, err := c.Read(b.Context(), imager.Reading{Reader: r})
	if err != nil || end.How != imager.HowComplete {
		b.Fatalf("Read() = %+v, %v; want %s, nil", end, err, imager.HowComplete)
	}
	if good := c.Map().Count(mapfile.Good); good != benchSectors {
		b.Fatalf("good = %d; want %d", good, benchSectors)
	}
	if err := c.Close(); err != nil {
		b.Fatal(err)
	}
}

// bareCopy has a goroutine that reads and one that writes, and nothing else.
func bareCopy(b *testing.B, node, to string) {
	in, err := unix.Open(node, unix.O_RDONLY|unix.O_DIRECT|unix.O_CLOEXEC, 0)
	if err != nil {
		b.Fatal(err)
	}
	defer unix.Close(in)
	out, err := unix.Open(to, unix.O_RDWR|unix.O_CREAT|unix.O_TRUNC|unix.O_CLOEXEC, 0o600)
	if err != nil {
		b.Fatal(err)
	}
	defer unix.Close(out)
	free, full := make(chan []byte, 3), make(chan []byte, 3)
	for range cap(free) {
		buf, err := unix.Mmap(-1, 0, benchRequest, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANONYMOUS)
		if err != nil {
			b.Fatal(err)
		}
		defer unix.Munmap(buf)
		free <- buf
	}
	go func() {
		defer close(full)
		for at := int64(0); at < benchSectors*sector.Size; at += benchRequest {
			buf := <-free
			if n, err := unix.Pread(in, buf, at); n != len(buf) {
				b.Errorf("Pread() at %d = %d, %v; want %d, nil", at, n, err, len(buf))
				return
			}
			full <- buf
		}
	}()
	at := int64(0)
	for buf := range full {
		if n, err := unix.Pwrite(out, buf, at); n != len(buf) {
			b.Fatalf("Pwrite() at %d = %d, %v; want %d, nil", at, n, err, len(buf))
		}
		at += int64(len(buf))
		free <- buf
	}
	if err := unix.Fdatasync(out); err != nil {
		b.Fatal(err)
	}
}

func ddCopy(b *testing.B, node, to string) {
	out, err := exec.CommandContext(b.Context(), "dd", "if="+node, "of="+to, "bs=256k", "iflag=direct", "conv=fsync").CombinedOutput()
	if err != nil {
		b.Fatalf("dd: %v: %s", err, out)
	}
}
