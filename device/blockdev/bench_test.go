package blockdev

import (
	"fmt"
	"io"
	"os"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device/child"
	"turnstone/device/devicetest"
	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

const benchSectors = 32 << 10 // 64 MiB

// BenchmarkReading compares, on a loop device over a file in the page cache, the
// way through a child with two loops of preads past the cache in this process:
// one after the other, and with the next read under way while the data of the
// last is used: written to a file, as an image is. Metrics: MB/s of each in its
// fastest round, and the child's part of both. Starting a child and closing it is
// not counted, nor is bringing the file to the disk.
func BenchmarkReading(b *testing.B) {
	node := cachedLoop(b, bigImage(b))
	out, err := os.Create(b.TempDir() + "/copy")
	if err != nil {
		b.Fatal(err)
	}
	defer out.Close()
	for _, sectors := range []int{16, 32, 64, maxSectors} {
		b.Run(fmt.Sprintf("sectors=%d", sectors), func(b *testing.B) {
			r, err := Open(b.Context(), Options{Node: node, Stall: time.Minute})
			if err != nil {
				b.Fatal(err)
			}
			defer r.Close()
			bare, overlapped, apart := time.Hour, time.Hour, time.Hour
			for range b.N {
				bare = min(bare, timed(func() { bareLoop(b, node, sectors, out) }))
				overlapped = min(overlapped, timed(func() { overlappedLoop(b, node, sectors, out) }))
				apart = min(apart, timed(func() { childLoop(b, r, sectors, out) }))
			}
			rate := func(d time.Duration) float64 { return benchSectors * sector.Size / 1e6 / d.Seconds() }
			b.ReportMetric(rate(bare), "bare-MB/s")
			b.ReportMetric(rate(overlapped), "overlapped-MB/s")
			b.ReportMetric(rate(apart), "child-MB/s")
			b.ReportMetric(rate(apart)/rate(bare), "of-bare")
			b.ReportMetric(rate(apart)/rate(overlapped), "of-overlapped")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// cachedLoop attaches a file that the loop device reads through the page cache.
func cachedLoop(b *testing.B, path string) string {
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

func bigImage(b *testing.B) string {
	b.Helper()
	path := b.TempDir() + "/big.iso"
	if err := os.WriteFile(path, devicetest.Image(devicetest.Pattern, benchSectors), 0o600); err != nil {
		b.Fatal(err)
	}
	return path
}

func timed(f func()) time.Duration {
	began := time.Now()
	f()
	return time.Since(began)
}

// direct opens the device, with buffers of one request each.
func direct(b *testing.B, node string, sectors, buffers int) (fd int, bufs [][]byte) {
	b.Helper()
	fd, err := unix.Open(node, unix.O_RDONLY|unix.O_DIRECT|unix.O_CLOEXEC, 0)
	if err != nil {
		b.Fatal(err)
	}
	for range buffers {
		buf, err := unix.Mmap(-1, 0, sectors*sector.Size, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANONYMOUS)
		if err != nil {
			b.Fatal(err)
		}
		bufs = append(bufs, buf)
	}
	return fd, bufs
}

func done(fd int, bufs [][]byte) {
	unix.Close(fd)
	for _, buf := range bufs {
		unix.Munmap(buf)
	}
}

func use(b *testing.B, out io.WriterAt, data []byte, at int64) {
	if _, err := out.WriteAt(data, at); err != nil {
		b.Fatal(err)
	}
}

func bareLoop(b *testing.B, node string, sectors int, out io.WriterAt) {
	fd, bufs := direct(b, node, sectors, 1)
	defer done(fd, bufs)
	for at := int64(0); at < benchSectors*sector.Size; at += int64(len(bufs[0])) {
		if n, err := unix.Pread(fd, bufs[0], at); n != len(bufs[0]) || err != nil {
			b.Fatalf("pread at %d = %d, %v", at, n, err)
		}
		use(b, out, bufs[0], at)
	}
}

func overlappedLoop(b *testing.B, node string, sectors int, out io.WriterAt) {
	fd, bufs := direct(b, node, sectors, 3)
	defer done(fd, bufs)
	full := make(chan []byte, 1)
	go func() {
		defer close(full)
		for i, at := 0, int64(0); at < benchSectors*sector.Size; i, at = i+1, at+int64(len(bufs[0])) {
			buf := bufs[i%3]
			if n, err := unix.Pread(fd, buf, at); n != len(buf) || err != nil {
				b.Errorf("pread at %d = %d, %v", at, n, err)
				return
			}
			full <- buf
		}
	}()
	at := int64(0)
	for buf := range full {
		use(b, out, buf, at)
		at += int64(len(buf))
	}
}

func childLoop(b *testing.B, r *child.Reader, sectors int, out io.WriterAt) {
	n, depth := int64(sectors), r.Info().Depth
	asked, waiting := sector.LBA(0), 0
	more := func() {
		for ; waiting < depth && asked < benchSectors; waiting++ {
			if err := r.Ask(sector.Span(asked, n)); err != nil {
				b.Fatal(err)
			}
			asked += sector.LBA(n)
		}
	}
	for more(); waiting > 0; {
		a, err := r.Answer(b.Context())
		if err != nil || a.Err != nil {
			b.Fatal(err, a.Err)
		}
		waiting--
		more() // first, so that the child has work while the data is used
		use(b, out, a.Data, a.Asked.First.Offset())
	}
}
