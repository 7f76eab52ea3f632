package main

import (
	"io"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Lists of a map with a run for every other sector.
func BenchmarkList(b *testing.B) {
	const n = 2_300_000 // about a single-layer DVD
	m := mapfile.New("case")
	m.AddRound(mapfile.Round{})
	d := mapfile.Disc{Sectors: n}
	d.Written.Add(sector.Span(0, n))
	if err := m.SetDisc(d); err != nil {
		b.Fatal(err)
	}
	if _, err := m.AddPass(mapfile.Pass{Drive: -1}); err != nil {
		b.Fatal(err)
	}
	for a := sector.LBA(0); a < n; a += 2 {
		r := mapfile.Run{Range: sector.Span(a, 1), Result: mapfile.Delivered, Attempts: 1}
		if _, err := m.Record(0, r, []uint32{uint32(a)}); err != nil {
			b.Fatal(err)
		}
	}
	for _, what := range []string{"good", "missing"} {
		b.Run(what, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := listSectors(io.Discard, b.TempDir(), m, what); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
