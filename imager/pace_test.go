package imager

import (
	"context"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// pacedDrive gives its answers at a steady rate, in real time.
type pacedDrive struct {
	*devicetest.Fake
	due time.Time
}

const pacedRate = 22e6 // bytes a second: a DVD at 16x near its outer edge

func (d *pacedDrive) Answer(ctx context.Context) (device.Answer, error) {
	a, err := d.Fake.Answer(ctx)
	if d.due.IsZero() {
		d.due = time.Now()
	}
	d.due = d.due.Add(time.Duration(float64(len(a.Data)) / pacedRate * float64(time.Second)))
	time.Sleep(time.Until(d.due))
	return a, err
}

// slowDisk needs a long time for each sync.
type slowDisk struct {
	*cutDisk
	sync time.Duration
}

func (d slowDisk) syncImage() error {
	time.Sleep(d.sync)
	return d.cutDisk.syncImage()
}

// A commit syncs twice (bbolt: pages, then the page that names them).
func (d slowDisk) commit(m *mapfile.Map) error {
	time.Sleep(2 * d.sync)
	return d.cutDisk.commit(m)
}

// BenchmarkCheckpointCost reads a disc at 22 MB/s onto a disk that needs 0.4 s
// for a sync, and onto one that needs nothing, and gives what the checkpoints cost
// of the pass, in seconds and per cent. Checkpoints while there is something to read
// cost nothing that can be seen; what is left is the first commit and the last
// checkpoint, once a pass, however long it is.
func BenchmarkCheckpointCost(b *testing.B) {
	const sectors = 320 << 10 // 640 MiB: 30 s
	pass := func(sync time.Duration) time.Duration {
		d := newCutDisk(&testing.T{}, sectors, 1)
		m, err := mapfile.Open(d.mapPath)
		if err != nil {
			b.Fatal(err)
		}
		drive := &pacedDrive{Fake: devicetest.NewFake(sectors, devicetest.Options{})}
		c := &Case{Dir: b.TempDir(), m: m, disk: slowDisk{d, sync}, now: time.Now}
		began := time.Now()
		if end, err := c.Read(b.Context(), Reading{Reader: drive}); err != nil || end.How != HowComplete {
			b.Fatal(end, err)
		}
		if got := c.m.Count(mapfile.Good); got != sectors {
			b.Fatalf("good = %d; want %d", got, int64(sectors))
		}
		return time.Since(began)
	}
	for b.Loop() {
		slow, quick := pass(400*time.Millisecond), pass(0)
		b.ReportMetric((slow - quick).Seconds(), "s-in-all")
		b.ReportMetric(100*float64(slow-quick)/float64(quick), "%-of-pass")
		b.ReportMetric(float64(sectors*sector.Size)/slow.Seconds()/1e6, "MB/s")
	}
}
