package plan

import (
	"runtime"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// benchDisc is a disc to plan for: its size, and the share of it that is good.
type benchDisc struct {
	name    string
	sectors int64
	every   int64 // of so many blocks, the first is good; 0: none
	single  bool  // every second sector is good
	kind    string
}

var benchDiscs = []benchDisc{
	{name: "60M-untouched", sectors: 60_000_000},
	{name: "4.2M-131k-runs-good", sectors: 4_200_000, every: 2},
	{name: "4.2M-every-second-sector-good", sectors: 4_200_000, single: true},
	{name: "dvd-2.3M-untouched", sectors: 2_298_496, kind: "dvd"},
}

func (d benchDisc) task(largest int64) Task {
	var good []sector.Range
	switch {
	case d.single:
		for a := sector.LBA(0); a < sector.LBA(d.sectors); a += 2 {
			good = append(good, sector.Span(a, 1))
		}
	case d.every > 0:
		for a := int64(0); a < d.sectors; a += 16 * d.every {
			good = append(good, sector.Span(sector.LBA(a), 16))
		}
	}
	return Task{Disc: Disc{Written: sector.Of(sector.Span(0, d.sectors)), Block: 16, Largest: largest, Kind: d.kind, WholeBlocks: d.kind != ""}, ToTheEnd: true, Good: sector.Of(good...)}
}

// BenchmarkPass plans whole passes, two requests outstanding, and reports the
// time for each block decided and what the plan holds when half is.
func BenchmarkPass(b *testing.B) {
	fares := []struct {
		name string
		fail func(request int64) bool
	}{
		{"all-come", func(int64) bool { return false }},
		{"every-second-fails", func(n int64) bool { return n%2 == 1 }},
		{"all-fail", func(int64) bool { return true }},
	}
	for _, d := range benchDiscs {
		for _, f := range fares {
			b.Run("disc="+d.name+"/"+f.name, func(b *testing.B) {
				task := d.task(16 * 16)
				blocks, held := int64(0), uint64(0)
				base := heap()
				for b.Loop() {
					p, n := New(task), int64(0)
					var out []Request
					half := p.Left() / 2
					for {
						q, step := p.Next()
						if step == Ask {
							out = append(out, q)
						}
						if step == Done {
							break
						}
						if step == Ask && len(out) < 2 {
							continue
						}
						q, out = out[0], out[1:]
						n++
						o := Outcome{Request: q, Good: q.Range.Count(), Result: mapfile.Failed}
						if f.fail(n) {
							o.Good, o.Failed = 0, min(16, o.Good)
							blocks++
						} else {
							blocks += (o.Good + 15) / 16
						}
						p.Note(o)
						if half > 0 && p.Left() <= half {
							half = 0
							b.StopTimer()
							held = max(held, heap()-base)
							b.StartTimer()
						}
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(blocks), "ns/block")
				b.ReportMetric(float64(held)/(1<<20), "MiB-held")
				b.ReportMetric(0, "ns/op")
			})
		}
	}
}

// heap is what lives on the heap.
func heap() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// BenchmarkNew measures the beginning of a pass, with and without a history of
// its own: a run for each of the good blocks, every other block failed.
func BenchmarkNew(b *testing.B) {
	for _, d := range benchDiscs {
		for _, known := range []bool{false, true} {
			name := "disc=" + d.name + "/history=none"
			task := d.task(256)
			if known {
				name = "disc=" + d.name + "/history=half-failed"
				var past Past
				for r := range task.Good.Runs() {
					past.Runs = append(past.Runs, mapfile.Run{Range: r, Result: mapfile.Delivered},
						mapfile.Run{Range: sector.Span(r.End, min(r.Count(), d.sectors-int64(r.End))), Result: mapfile.Failed})
				}
				task.History = []Past{past}
			}
			b.Run(name, func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					New(task)
				}
			})
		}
	}
}
