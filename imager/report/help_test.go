package report

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device/sector"
	vt "turnstone/imager/volume/volumetest"
	"turnstone/mapfile"
)

// zone is a zone that is not UTC, without asking the machine for its own.
var zone = time.FixedZone("CET", 3600)

// day is an invented time.
var day = time.Date(2026, 3, 4, 17, 6, 7, 0, zone)

// caseOf makes the folder of a case: an image, and a map in which every sector was
// asked for by nobody, until fill has its way. Sums are those of the image's bytes.
func caseOf(tb testing.TB, image []byte, d mapfile.Disc, fill func(m *mapfile.Map)) (dir string) {
	tb.Helper()
	dir = tb.TempDir()
	d.Sectors = max(d.Sectors, int64(len(image)/sector.Size))
	if d.Kind == "" {
		d.Kind, d.BlockSectors = "unknown", 16
	}
	if d.Written.Empty() {
		d.Written = sector.Of(sector.Span(0, d.Sectors))
	}
	m := mapfile.New("INVENTED")
	m.AddRound(mapfile.Round{Opened: day})
	m.AddDrive(mapfile.Drive{Vendor: "Invented", Model: "Reader A", Serial: "1", Node: "/dev/sr0"})
	m.AddDrive(mapfile.Drive{Vendor: "Invented", Model: "Reader B", Node: "/dev/sr1"})
	must(tb, m.SetDisc(d))
	if fill != nil {
		fill(m)
	}
	must(tb, mapfile.Create(filepath.Join(dir, "map.db"), m))
	path := filepath.Join(dir, "image.iso")
	must(tb, os.WriteFile(path, image, 0o600))
	must(tb, os.Truncate(path, d.Sectors*sector.Size))
	return dir
}

func must(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
}

// pass adds a pass that ended in order.
func pass(tb testing.TB, m *mapfile.Map, p mapfile.Pass) int {
	tb.Helper()
	if p.How == "" {
		p.How = "complete"
	}
	p.Started, p.Ended = day, day.Add(time.Duration(p.Seconds)*time.Second)
	n, err := m.AddPass(p)
	must(tb, err)
	return n
}

// record notes what a pass learned; the sums of what came are those of the image.
func record(tb testing.TB, m *mapfile.Map, image []byte, pass int, r sector.Range, result mapfile.Result) {
	tb.Helper()
	var sums []uint32
	if result.Came() {
		for a := r.First; a < r.End; a++ {
			p := make([]byte, sector.Size)
			if a.Offset() < int64(len(image)) {
				copy(p, image[a.Offset():])
			}
			sums = append(sums, mapfile.Sum(p))
		}
	}
	_, err := m.Record(pass, mapfile.Run{Range: r, Result: result, Attempts: 1}, sums)
	must(tb, err)
}

// reportOf is the report of a case, with what a test changes of its source.
func reportOf(tb testing.TB, dir string, change func(s *Source)) *Report {
	tb.Helper()
	s := Source{Dir: dir, Name: "job-7", Program: "turnstone, a test", Now: day.AddDate(0, 0, 3)}
	if change != nil {
		change(&s)
	}
	r, err := Of(s)
	must(tb, err)
	return r
}

// album is a small disc: two films, two photos, a text.
func album() []byte {
	return vt.ISO(nil, vt.File{Dir: true, Children: []vt.File{
		{Name: "films", Dir: true, Children: []vt.File{
			{Name: "a.vob", Data: vt.Bytes("a", 100*vt.Size)}, {Name: "b.vob", Data: vt.Bytes("b", 60*vt.Size-700)}}},
		{Name: "photos", Dir: true, Children: []vt.File{
			{Name: "one.jpg", Data: vt.Bytes("one", 9000)}, {Name: "two.jpg", Data: vt.Bytes("two", 5000)}}},
		{Name: "readme.txt", Data: []byte("read me\n")},
	}}, vt.ISOOptions{RockRidge: true, Label: "ALBUM"})
}

// albumCase is the album of which a pass got all but some sectors, which failed or were
// not asked for.
func albumCase(tb testing.TB, failed, untried []sector.Range, more func(m *mapfile.Map)) string {
	image := album()
	return caseOf(tb, image, mapfile.Disc{}, func(m *mapfile.Map) {
		n := pass(tb, m, mapfile.Pass{Seconds: 100})
		bad, open := sector.Of(failed...), sector.Of(untried...)
		good := sector.Of(sector.Span(0, int64(len(image)/sector.Size)))
		good = good.Subtract(&bad)
		good = good.Subtract(&open)
		for r := range good.Runs() {
			record(tb, m, image, n, r, mapfile.Delivered)
		}
		for r := range bad.Runs() {
			record(tb, m, image, n, r, mapfile.Failed)
		}
		if more != nil {
			more(m)
		}
	})
}

// someCase is a map of sectors that fared by chance, over rounds, drives and merges,
// with sums of nothing: no image is read.
func someCase(tb testing.TB, rnd *rand.Rand, sectors int64) *mapfile.Map {
	tb.Helper()
	m := mapfile.New("INVENTED")
	d := mapfile.Disc{Kind: "unknown", Sectors: sectors, BlockSectors: 16, Written: sector.Of(sector.Span(0, sectors/2), sector.Span(sector.LBA(sectors*3/4), sectors/4))}
	must(tb, m.SetDisc(d))
	m.AddDrive(mapfile.Drive{Node: "/dev/sr0"})
	m.AddDrive(mapfile.Drive{Node: "/dev/sr1"})
	for round := range 1 + rnd.IntN(3) {
		m.AddRound(mapfile.Round{Opened: day})
		for range rnd.IntN(3) {
			n := pass(tb, m, mapfile.Pass{Round: round, Drive: rnd.IntN(3) - 1})
			merged := m.Passes()[n].Drive < 0
			for range 20 {
				r := sector.Span(sector.LBA(rnd.Int64N(sectors)), 1+rnd.Int64N(40))
				r.End = min(r.End, sector.LBA(sectors))
				results := []mapfile.Result{mapfile.Delivered, mapfile.Failed, mapfile.Failed, mapfile.LostTrack, mapfile.Stalled}
				result := results[rnd.IntN(len(results))]
				if merged {
					result = mapfile.Merged
				}
				record(tb, m, nil, n, r, result)
			}
		}
	}
	if rnd.IntN(3) == 0 { // some of it rots
		for a := range sector.LBA(sectors) {
			if rnd.IntN(40) == 0 {
				m.Rot(a)
			}
		}
	}
	return m
}
