package imager

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// cutDisk is a case's disk that remembers what is synced. At one step it fails,
// or the power is cut: from then on nothing reaches it. What was written and not
// synced survives a cut or not, sector by sector, as a seeded generator says.
type cutDisk struct {
	t        *testing.T
	mapPath  string
	mu       sync.Mutex // reading and saving go on beside each other
	image    []byte     // as the program sees it
	synced   []byte     // as it is on the disk for sure
	dirty    map[sector.LBA]bool
	kept     keptMemory
	content  devicetest.Content // what the disc holds; nil: what the map's checksums say
	rnd      *rand.Rand
	step     int
	failAt   int  // the step that fails; -1: none
	cut      bool // failAt is a power cut, not an error
	off      bool // the power is off
	lastGood sector.Set
}

var errStep = errors.New("injected: no space left on device")

func newCutDisk(t *testing.T, sectors int64, seed uint64) *cutDisk {
	return newCutCase(t, "case", sectors, seed)
}

// newCutCase is the disk of a case with that id.
func newCutCase(t *testing.T, id string, sectors int64, seed uint64) *cutDisk {
	d := &cutDisk{
		t: t, mapPath: filepath.Join(quickDir(t), mapName), failAt: -1,
		image: make([]byte, sectors*sector.Size), synced: make([]byte, sectors*sector.Size),
		dirty: map[sector.LBA]bool{}, content: devicetest.Pattern, rnd: rand.New(rand.NewPCG(seed, 1)),
	}
	m := mapfile.New(id)
	m.AddRound(mapfile.Round{Opened: epochTime})
	if err := m.SetDisc(mapfile.Disc{Kind: "unknown", Sectors: sectors, BlockSectors: 16,
		Written: sector.Of(sector.Span(0, sectors))}); err != nil {
		t.Fatal(err)
	}
	if err := mapfile.Create(d.mapPath, m); err != nil {
		t.Fatal(err)
	}
	return d
}

var epochTime = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// quickDir is a folder in memory where there is one: bbolt syncs at every commit.
func quickDir(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "turnstone-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// next counts a step; act tells whether it is to happen, err what it says.
func (d *cutDisk) next() (act bool, err error) {
	if d.off {
		return false, errStep
	}
	n := d.step
	d.step++
	if n != d.failAt {
		return true, nil
	}
	d.off = d.cut
	// An operation that failed or was cut off has happened, or has not.
	return d.rnd.IntN(2) == 0, errStep
}

func (d *cutDisk) writeImage(p []byte, at sector.LBA) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return errStep
	}
	act, err := d.next()
	if !act { // some leading part may have been written
		p = p[:d.rnd.IntN(len(p)/sector.Size+1)*sector.Size]
	}
	copy(d.image[at.Offset():], p)
	for i := range len(p) / sector.Size {
		d.dirty[at+sector.LBA(i)] = true
	}
	return err
}

func (d *cutDisk) clearImage(r sector.Range) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	act, err := d.next()
	if act {
		clear(d.image[r.First.Offset():r.End.Offset()])
		for a := r.First; a < r.End; a++ {
			d.dirty[a] = true
		}
	}
	return err
}

// syncImage makes durable what was written before it began. What is written while
// it runs is not.
func (d *cutDisk) syncImage() error {
	d.mu.Lock()
	act, err := d.next()
	if err != nil {
		// A sync that fails may have dropped what it did not write, and the next
		// one knows nothing of it (as with fsync after a write-back error on Linux).
		d.loseUnsynced()
		d.mu.Unlock()
		return err
	}
	before := map[sector.LBA][]byte{}
	if act {
		for a := range d.dirty {
			before[a] = bytes.Clone(d.image[a.Offset():][:sector.Size])
		}
		clear(d.dirty)
	}
	d.mu.Unlock()
	for range 100 { // let the reading write
		runtime.Gosched()
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for a, p := range before {
		copy(d.synced[a.Offset():], p)
	}
	return nil
}

// loseUnsynced lets chance decide about every sector that is not synced.
func (d *cutDisk) loseUnsynced() {
	for a := sector.LBA(0); a.Offset() < int64(len(d.image)); a++ {
		if !d.dirty[a] {
			continue
		}
		now, old := d.image[a.Offset():][:sector.Size], d.synced[a.Offset():][:sector.Size]
		switch d.rnd.IntN(3) {
		case 0:
			copy(old, now) // it reached the disk
		case 1:
			copy(now, old) // it did not
		case 2: // half of it did
			copy(old[:sector.Size/2], now)
			copy(now, old)
		}
	}
	clear(d.dirty)
	d.kept.lose(d.rnd)
}

func (d *cutDisk) load() (*mapfile.Map, error) {
	if d.off {
		return nil, errStep
	}
	return mapfile.Open(d.mapPath)
}

func (d *cutDisk) commit(m *mapfile.Map) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	act, err := d.next()
	if act {
		if cerr := m.Commit(d.mapPath); cerr != nil {
			d.t.Errorf("Commit() = %v; want nil", cerr)
		}
		if err == nil {
			d.lastGood = m.In(mapfile.Good)
		}
	}
	return err
}

func (d *cutDisk) writeStatus(*mapfile.Map) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	_, err := d.next()
	return err
}

// powerOn is what the next start of the program finds.
func (d *cutDisk) powerOn() {
	d.loseUnsynced()
	copy(d.image, d.synced)
	d.off, d.failAt = false, -1
}

// open opens the case on the disk as Open does on a folder, and proves that no
// sector is falsely good.
func (d *cutDisk) open(now func() time.Time) *Case {
	d.t.Helper()
	m, err := mapfile.Open(d.mapPath)
	if err != nil {
		d.t.Fatalf("Open() = %v; want nil", err)
	}
	d.proveGood(m)
	d.proveKept(m)
	good := m.In(mapfile.Good)
	if lost := d.lastGood.Subtract(&good); !lost.Empty() {
		d.t.Errorf("%d sectors of the last checkpoint are not good any more", lost.Count())
	}
	c := &Case{Dir: filepath.Dir(d.mapPath), m: m, disk: d, now: now}
	if err := c.endInOrder(HowKilled); err != nil {
		d.t.Fatalf("endInOrder() = %v; want nil", err)
	}
	if _, err := c.takeDecided(); err != nil {
		d.t.Fatalf("takeDecided() = %v; want nil", err)
	}
	d.proveZero(c.m)
	return c
}

func (d *cutDisk) proveGood(m *mapfile.Map) {
	d.t.Helper()
	want := make([]byte, sector.Size)
	good := m.In(mapfile.Good)
	for r := range good.Runs() {
		for a := r.First; a < r.End; a++ {
			got := d.image[a.Offset():][:sector.Size]
			if sum, _, _ := m.Sum(a); mapfile.Sum(got) != sum {
				d.t.Fatalf("sector %d is good in the map and not in the image", a)
			}
			if d.content == nil {
				continue
			}
			if d.content(a, want); !bytes.Equal(got, want) {
				d.t.Fatalf("sector %d is good and not what the disc holds", a)
			}
		}
	}
}

// proveZero proves that what is not good reads as zeros.
func (d *cutDisk) proveZero(m *mapfile.Map) {
	d.t.Helper()
	zeros := make([]byte, sector.Size)
	for a := sector.LBA(0); a.Offset() < int64(len(d.image)); a++ {
		if m.State(a) != mapfile.Good && !bytes.Equal(d.image[a.Offset():][:sector.Size], zeros) {
			d.t.Fatalf("sector %d is not good and does not read as zeros", a)
		}
	}
}

// close proves what every case must be after its writer has gone.
func (d *cutDisk) close(c *Case) {
	d.t.Helper()
	d.proveGood(c.m)
	d.proveKept(c.m)
	d.proveZero(c.m)
	problems, err := mapfile.Check(d.mapPath)
	if err != nil || len(problems) > 0 {
		d.t.Errorf("Check() = %q, %v; want none, nil", problems, err)
	}
}

const scratchedSectors = 640

// scratched is a drive with a small disc that has faults of every kind.
func scratched(o devicetest.Options) *devicetest.Fake {
	drive := devicetest.NewFake(scratchedSectors, o)
	drive.Fail(sector.Span(100, 20), device.Medium, devicetest.Always)
	drive.Fail(sector.Span(300, 3), device.Doubtful, devicetest.Always)
	drive.Fail(sector.Span(333, 1), device.Medium, devicetest.Always)
	drive.Weaken(sector.Span(400, 40), devicetest.Always)
	drive.Fail(sector.Span(639, 1), device.Doubtful, devicetest.Always)
	return drive
}

// reading is the pass that the tests run over and over.
func reading(drive device.Reader) Reading {
	return Reading{Reader: drive, CheckpointBytes: 96 * sector.Size, CheckpointTime: time.Hour}
}

// complete reads on until everything was asked.
func complete(t *testing.T, d *cutDisk, drive *devicetest.Fake) *Case {
	t.Helper()
	for range 100 {
		drive.Restart()
		c := d.open(drive.Now)
		end, err := c.Read(t.Context(), reading(drive))
		d.close(c)
		switch {
		case errors.Is(err, ErrNothingToAsk):
			return c
		case err != nil:
			t.Fatalf("Read() = %+v, %v; want nil", end, err)
		}
	}
	t.Fatal("the reading does not come to an end")
	return nil
}

// The sweep: the power is cut, or the disk fails, at step 0, 1, 2 ... until a run
// completes. Each time the next run goes on, and ends with the same image and the
// same states as a run without a cut.
func TestStoppedAtEveryStep(t *testing.T) {
	drive := scratched(devicetest.Options{})
	whole := newCutDisk(t, scratchedSectors, 0)
	first := complete(t, whole, drive)
	wantGood, wantBad := first.m.In(mapfile.Good), first.m.In(mapfile.Bad)
	if wantBad.Count() != 20+3+1+1 {
		t.Fatalf("bad sectors of a run without a cut = %d; want 25", wantBad.Count())
	}
	for _, cut := range []bool{true, false} {
		name := map[bool]string{true: "power", false: "error"}[cut]
		t.Run(name, func(t *testing.T) {
			for step := 0; ; step++ {
				drive := scratched(devicetest.Options{})
				d := newCutDisk(t, scratchedSectors, uint64(step))
				c := d.open(drive.Now)
				d.step, d.failAt, d.cut = 0, step, cut
				end, err := c.Read(t.Context(), reading(drive))
				if d.step <= step {
					if err != nil || step < 20 {
						t.Fatalf("run without a fault = %+v, %v, %d steps; want nil, more than 20", end, err, d.step)
					}
					return
				}
				if err == nil {
					t.Errorf("step %d failed and Read() = %+v, nil; want the fault to surface", step, end)
				} else if !errors.Is(err, errStep) {
					t.Errorf("step %d failed and Read() = %v; want the injected error", step, err)
				}
				if cut {
					d.powerOn()
				} else {
					d.failAt = -1
				}
				c = complete(t, d, drive)
				good, bad := c.m.In(mapfile.Good), c.m.In(mapfile.Bad)
				if !good.Equal(&wantGood) || !bad.Equal(&wantBad) {
					t.Errorf("step %d: %d good, %d bad in the end; want %d, %d", step,
						good.Count(), bad.Count(), wantGood.Count(), wantBad.Count())
				}
				if !bytes.Equal(d.image, whole.image) {
					t.Errorf("step %d: another image in the end", step)
				}
				if t.Failed() {
					return
				}
			}
		})
	}
}
