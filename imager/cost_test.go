package imager

import (
	"context"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// timedDisk is a case's disk on which every sync takes its time, by the clock of
// the test's bubble. The image is not kept.
type timedDisk struct {
	disk    // what a clean pass does not use
	mapPath string
	sync    time.Duration
	syncs   int
}

func (d *timedDisk) wait(syncs int) {
	d.syncs += syncs
	time.Sleep(time.Duration(syncs) * d.sync)
}

func (d *timedDisk) writeImage([]byte, sector.LBA) error { return nil }

// readImage gives what the drive gave: zeros.
func (d *timedDisk) readImage(p []byte, _ sector.LBA) error {
	clear(p)
	return nil
}

func (d *timedDisk) syncImage() error {
	d.wait(1)
	return nil
}

func (d *timedDisk) syncKept() error { return nil }

// commit takes two syncs: of the map's pages, then of its root.
func (d *timedDisk) commit(m *mapfile.Map) error {
	d.wait(2)
	return m.Commit(d.mapPath)
}

// writeStatus takes two syncs: of the new file, and of its name.
func (d *timedDisk) writeStatus(*mapfile.Map) error {
	d.wait(2)
	return nil
}

// steadyDrive delivers everything at one rate, by the clock of the test's bubble.
// It works on while nobody takes its answers, as long as requests wait.
type steadyDrive struct {
	info  device.Info
	rate  float64 // bytes a second
	data  []byte
	queue []sector.Range
	ready []time.Time // when the answers to them are
	free  time.Time   // when the drive has done all that it was asked for
}

func (d *steadyDrive) Info() device.Info { return d.info }

func (d *steadyDrive) took(r sector.Range) time.Duration {
	return time.Duration(float64(r.Bytes()) / d.rate * float64(time.Second))
}

func (d *steadyDrive) Ask(r sector.Range) error {
	if now := time.Now(); now.After(d.free) {
		d.free = now
	}
	d.free = d.free.Add(d.took(r))
	d.queue, d.ready = append(d.queue, r), append(d.ready, d.free)
	return nil
}

func (d *steadyDrive) Answer(ctx context.Context) (device.Answer, error) {
	select {
	case <-time.After(time.Until(d.ready[0])):
	case <-ctx.Done():
		return device.Answer{}, ctx.Err()
	}
	r := d.queue[0]
	d.queue, d.ready = d.queue[1:], d.ready[1:]
	return device.Answer{Asked: r, Data: d.data[:r.Bytes()], Took: d.took(r)}, nil
}

func (d *steadyDrive) Close() error { return nil }

// Checkpoints cost little: on a disk that takes 0.4 s for each of a checkpoint's
// syncs, a pass over a whole DVD at 22 MB/s takes at most 3 % longer than the
// drive alone. All in virtual time: the pass is the real one.
func TestCheckpointsCostLittle(t *testing.T) {
	const (
		sectors = 2295104 // 4.7 GB, a whole layer
		rate    = 22e6    // bytes a second: a DVD at 16x near its outer edge
		request = 128
	)
	mapPath := filepath.Join(quickDir(t), mapName)
	m := mapfile.New("case")
	m.AddRound(mapfile.Round{Opened: epochTime})
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: sectors, BlockSectors: 16,
		Written: sector.Of(sector.Span(0, sectors))}); err != nil {
		t.Fatal(err)
	}
	if err := mapfile.Create(mapPath, m); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		d := &timedDisk{mapPath: mapPath, sync: 400 * time.Millisecond}
		c := &Case{Dir: filepath.Dir(mapPath), m: m, disk: d, now: time.Now}
		drive := &steadyDrive{rate: rate, data: make([]byte, request*sector.Size),
			info: device.Info{Node: "/dev/sr0", Kind: "dvd", Sectors: sectors, BlockSectors: 16,
				MaxSectors: request, Depth: 2, WholeBlocks: true}}
		began := time.Now()
		end, err := c.Read(t.Context(), Reading{Reader: drive})
		took := time.Since(began)
		if good := c.m.Count(mapfile.Good); err != nil || end.How != HowComplete || good != sectors {
			t.Fatalf("Read() = %+v, %v, %d good; want %s, nil, %d", end, err, good, HowComplete, sectors)
		}
		alone := drive.took(sector.Span(0, sectors))
		cost := 100 * (took - alone).Seconds() / alone.Seconds()
		t.Logf("the drive alone %.1f s, the pass %.1f s: %.2f %% more, for %d syncs of %v", alone.Seconds(), took.Seconds(), cost, d.syncs, d.sync)
		if cost < 0 || cost > 3 {
			t.Errorf("checkpoints cost %.2f %%; want 0 to 3 %%", cost)
		}
		// Five syncs for each 64 MiB: else this measured no checkpoints.
		if want := 5 * sectors * sector.Size / (64 << 20); d.syncs < want*9/10 {
			t.Errorf("%d syncs; want about %d", d.syncs, want)
		}
	})
}
