package bench

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// steady is a drive that delivers zeros at one rate, and works on while nobody takes its
// answers as long as requests wait.
type steady struct {
	info  device.Info
	rate  float64 // bytes a second; 0: at once
	zeros []byte
	queue []sector.Range
	ready []time.Time
	free  time.Time
	came  *atomic.Int64 // bytes
}

func (d *steady) Info() device.Info { return d.info }

func (d *steady) Ask(r sector.Range) error {
	if now := time.Now(); now.After(d.free) {
		d.free = now
	}
	if d.rate > 0 {
		d.free = d.free.Add(time.Duration(float64(r.Bytes()) / d.rate * float64(time.Second)))
	}
	d.queue, d.ready = append(d.queue, r), append(d.ready, d.free)
	return nil
}

func (d *steady) Answer(ctx context.Context) (device.Answer, error) {
	if wait := time.Until(d.ready[0]); wait > 0 {
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return device.Answer{}, ctx.Err()
		}
	}
	r := d.queue[0]
	d.queue, d.ready = d.queue[1:], d.ready[1:]
	d.came.Add(r.Bytes())
	return device.Answer{Asked: r, Data: d.zeros[:r.Bytes()], Took: time.Millisecond}, nil
}

func (d *steady) Close() error { return nil }

// A DVD of two layers as full as it can be (ECMA-267: 2,084,960 sectors each [memory]).
const layerSectors = 2_084_960

// fullCase makes a case of such a disc in which every 7th block is missing: 37,000 runs
// that are good. All that is good is zeros, so that the image is sparse.
func fullCase(b *testing.B, dir string) {
	b.Helper()
	m := mapfile.New("invented")
	m.AddRound(mapfile.Round{Opened: time.Now()})
	whole := sector.Of(sector.Span(0, 2*layerSectors))
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: 2 * layerSectors, BlockSectors: 16, Written: whole, Layers: []int64{layerSectors, layerSectors}}); err != nil {
		b.Fatal(err)
	}
	m.AddDrive(mapfile.Drive{Vendor: "Invented", Node: "/dev/invented"})
	n, err := m.AddPass(mapfile.Pass{Drive: 0, Started: time.Now(), Ended: time.Now(), How: imager.HowComplete, Settings: []mapfile.Settings{{}}})
	if err != nil {
		b.Fatal(err)
	}
	sums := make([]uint32, 16*6)
	for i := range sums {
		sums[i] = mapfile.Sum(make([]byte, sector.Size))
	}
	for a := sector.LBA(0); a < 2*layerSectors; a += 16 * 7 {
		good := sector.Span(a, 16*6).Intersect(sector.Span(0, 2*layerSectors))
		if _, err := m.Record(n, mapfile.Run{Range: good, Result: mapfile.Delivered, Attempts: 1}, sums[:good.Count()]); err != nil {
			b.Fatal(err)
		}
		if bad := sector.Span(good.End, 16).Intersect(sector.Span(0, 2*layerSectors)); !bad.Empty() {
			if _, err := m.Record(n, mapfile.Run{Range: bad, Result: mapfile.Failed, Attempts: 1}, nil); err != nil {
				b.Fatal(err)
			}
		}
	}
	m.AddRound(mapfile.Round{Opened: time.Now(), Treatments: []mapfile.Treatment{{Typed: "clean", Word: imager.Clean}}})
	if err := os.Mkdir(dir, 0o700); err != nil {
		b.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "image.iso"), nil, 0o600); err != nil {
		b.Fatal(err)
	}
	if err := os.Truncate(filepath.Join(dir, "image.iso"), 2*layerSectors*sector.Size); err != nil {
		b.Fatal(err)
	}
	if err := mapfile.Create(filepath.Join(dir, "map.db"), m); err != nil {
		b.Fatal(err)
	}
}

// What looking at it costs a pass, and what a page is sent, with a full map of two
// layers: stretches of 20 s, watched and not, in turns. The drive reads at 16x
// (22 MB/s); slowdown is the share of its rate that the watched stretches lack, and cpu
// what they take more of one processor, which says more on a busy machine. A page opens
// at the beginning of each watched stretch: the first map is in the figures, and the next
// comes only after a pause of a hundred times what it took.
func BenchmarkWatched(b *testing.B) {
	jobs := b.TempDir()
	dir := filepath.Join(jobs, "job-1")
	fullCase(b, dir)
	var came, told atomic.Int64
	open := func(context.Context, imager.Known) (device.Reader, error) {
		return &steady{zeros: make([]byte, 1<<20), rate: 22e6, came: &came, info: device.Info{Node: "/dev/invented", Vendor: "Invented", Kind: "dvd",
			Sectors: 2 * layerSectors, BlockSectors: 16, MaxSectors: 256, Depth: 2, Layers: []int64{layerSectors, layerSectors}}}, nil
	}
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	page, err := New(ctx, Options{Cases: []string{jobs}, Drives: noDrives{}, Speech: plainWords{}, Counsel: plainWords{}, Epoch: "E",
		Runs: imager.NewRuns(func() imager.Writer { return imager.Writer{Command: "test", CaseID: "x", Now: time.Now} })})
	if err != nil {
		b.Fatal(err)
	}
	id := idOf(dir)
	l := idle(b)
	go page.Serve(ctx, Door{Listener: l})
	go page.Work(ctx)
	const stretch = 20 * time.Second
	read := func(watched bool) (rate float64) {
		look, leave := context.WithCancel(ctx)
		if watched {
			go view(look, "http://"+l.Addr().String(), id, &told)
		}
		defer leave()
		page.shelf.look()
		c := page.shelf.of(id)
		d := newDesk(plainWords{}, dir)
		timed, stop := context.WithTimeout(ctx, stretch)
		defer stop()
		run, err := page.Runs.Start(timed, "/dev/invented", imager.Job{Dir: dir, Open: open, Reading: imager.Reading{SameDisc: true, ToTheEnd: true}}, d)
		if err != nil {
			b.Fatal(err)
		}
		c.mu.Lock()
		c.sessions = []session{{run, d}}
		c.mu.Unlock()
		before, began := came.Load(), time.Now()
		if out, err := run.Wait(); err != nil || out.How != imager.HowInterrupted {
			b.Fatalf("the pass ended %+v, %v; want it to go on longer than it is watched", out.Ending, err)
		}
		rate = float64(came.Load()-before) / time.Since(began).Seconds()
		c.mu.Lock()
		c.sessions = nil
		c.mu.Unlock()
		return rate
	}
	var watched, alone float64
	var more time.Duration
	for b.Loop() {
		start := worked()
		alone += read(false)
		middle := worked()
		watched += read(true)
		more += worked() - middle - (middle - start)
	}
	b.ReportMetric(100*more.Seconds()/stretch.Seconds()/float64(b.N), "%cpu")
	b.ReportMetric(100*(alone-watched)/alone, "%slowdown")
	b.ReportMetric(float64(told.Load())/float64(b.N)/stretch.Seconds()/1000, "kB/s-told")
	b.ReportMetric(alone/float64(b.N)/1e6, "MB/s-alone")
}

// worked is the processor time that this process has used.
func worked() time.Duration {
	var r syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &r)
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

// view is a page: it follows the feed and fetches the map when it has changed.
func view(ctx context.Context, url, id string, told *atomic.Int64) {
	get := func(path string) io.ReadCloser {
		r, _ := http.NewRequestWithContext(ctx, "GET", url+path, nil)
		r.Header.Set("Accept-Encoding", "gzip")
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			return nil
		}
		return resp.Body
	}
	feed := get("/feed?case=" + id)
	if feed == nil {
		return
	}
	defer feed.Close()
	var line strings.Builder
	buf := make([]byte, 64<<10)
	for {
		n, err := feed.Read(buf)
		told.Add(int64(n))
		line.Write(buf[:n])
		if err != nil {
			return
		}
		if !strings.HasSuffix(line.String(), "\n\n") {
			continue
		}
		_, data, _ := strings.Cut(line.String(), "data: ")
		line.Reset()
		var p patch
		json.Unmarshal([]byte(data), &p)
		if value, changed := p.Set["case/"+id+"/map"]; changed {
			var m mapRow
			json.Unmarshal(value, &m)
			if picture := get(fmt.Sprintf("/map/%s?sheet=%s", id, m.Sheets[0].Name)); picture != nil {
				n, _ := io.Copy(io.Discard, picture)
				told.Add(n)
				picture.Close()
			}
		}
	}
}
