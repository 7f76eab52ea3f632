package report

import (
	"fmt"
	"io"
	"math/rand/v2"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	vt "turnstone/imager/volume/volumetest"
	"turnstone/mapfile"
)

// largeCase is a case with so many runs and files: a DVD whose files lie at its front, of
// which every block is missing somewhere, read in three rounds.
func largeCase(tb testing.TB, runs, files int) (dir string) {
	root := vt.File{Dir: true}
	for i := 0; i < files; i += 100 {
		d := vt.File{Name: fmt.Sprintf("folder%04d", i/100), Dir: true}
		for j := i; j < min(files, i+100); j++ {
			name := fmt.Sprintf("picture %06d.jpeg", j)
			d.Children = append(d.Children, vt.File{Name: name, Data: vt.Bytes(name, 3000)})
		}
		root.Children = append(root.Children, d)
	}
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true})
	const sectors = 2295104
	lists := placeOfLists(files)
	return caseOf(tb, image, mapfile.Disc{Kind: "dvd", BlockSectors: 16, Sectors: sectors}, func(m *mapfile.Map) {
		rnd := rand.New(rand.NewPCG(3, 4))
		n := pass(tb, m, mapfile.Pass{Seconds: 9000})
		record(tb, m, image, n, sector.Range{End: lists}, mapfile.Delivered)
		step := (sectors - lists) / sector.LBA(runs/3)
		for round := range 3 {
			if round > 0 {
				m.AddRound(mapfile.Round{Opened: day.AddDate(0, 0, round), Treatments: []mapfile.Treatment{{Typed: "polish fine", Word: "polish", Grade: "fine"}}})
				n = pass(tb, m, mapfile.Pass{Round: round, Seconds: 3000})
			}
			for at := lists; at+step <= sectors; at += step {
				bad := sector.Span(at, 4+rnd.Int64N(int64(step)-8))
				if round == 0 {
					record(tb, m, nil, n, bad, mapfile.Failed)
					record(tb, m, image, n, sector.Range{First: bad.End, End: at + step}, mapfile.Delivered)
				} else if rnd.IntN(2) == 0 {
					record(tb, m, nil, n, sector.Span(at, 2), mapfile.Failed)
				}
				if rnd.IntN(2) == 0 {
					m.AddEvent(mapfile.Event{Time: day, Pass: n, Kind: imager.KindFailedRead, Range: bad, Count: 1, Took: time.Second,
						Text: fmt.Sprintf("read %v of Invented Reader A 1: medium error at sector %d 3/11/05: unrecovered read error", bad, at)})
				}
			}
		}
	})
}

// placeOfLists is behind the last directory of largeCase's disc.
func placeOfLists(files int) sector.LBA { return sector.LBA(60 + files/8) }

// BenchmarkReport makes both pages and the document of a case with 100,000 runs and
// 20,000 files. The target is 3 s.
func BenchmarkReport(b *testing.B) {
	dir := largeCase(b, 100_000, 20_000)
	m, err := imager.Load(dir)
	must(b, err)
	runs := 0
	for n := range m.Passes() {
		for range m.Runs(n) {
			runs++
		}
	}
	b.Run(fmt.Sprintf("runs=%d/files=20000", runs), func(b *testing.B) {
		for b.Loop() {
			r := reportOf(b, dir, nil)
			if r.Files == nil || len(r.Files.List) < 20_000 {
				b.Fatalf("files = %+v; want 20,000", r.Files)
			}
			must(b, r.Bench(io.Discard))
			must(b, r.Customer(io.Discard))
		}
	})
	b.Run("json", func(b *testing.B) {
		for b.Loop() {
			must(b, reportOf(b, dir, nil).JSON(io.Discard))
		}
	})
}
