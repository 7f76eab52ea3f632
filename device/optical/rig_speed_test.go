package optical

import (
	"fmt"
	"slices"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// rigSpeed compares what comes through the child, as the program reads, with what
// "dd iflag=direct" gets in the sizes of its usual blocks, and with READs alone: the most
// that a loop with one READ at a time can give. Neither of these two does anything but its
// system calls, and Go's scheduler is kept out of them, as it is of the child's
// (devnode.Hold): dd knows of none. The machine does other things: all are measured in
// turn, a stretch at a time, and medians are compared.
func rigSpeed(t *testing.T, d *Drive, node string, say func(string, ...any)) {
	const span = 13_680 // sectors; six requests of 38 READs of 60, and whole READs of all sizes
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
const rigStretch = 2280

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
