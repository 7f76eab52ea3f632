package mapfiletest

import (
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// RoughDisc is a disc of two layers, for Rough.
func RoughDisc() mapfile.Disc {
	const half = 2_080_000
	d := mapfile.Disc{Kind: "dvd", Sectors: 2 * half, BlockSectors: 16, Layers: []int64{half, half}}
	d.Written.Add(sector.Span(0, d.Sectors))
	return d
}

// Rough adds to the map of a RoughDisc a pass with some 100,000 runs: blocks that fail,
// and single ones that come between them, in a pattern that keeps to no angle.
func Rough(tb testing.TB, m *mapfile.Map) {
	tb.Helper()
	m.AddDrive(mapfile.Drive{Node: "A"})
	pass, err := m.AddPass(mapfile.Pass{Seconds: 5000, How: "complete"})
	if err != nil {
		tb.Fatal(err)
	}
	sums := make([]uint32, 16)
	for i := range sums {
		sums[i] = uint32(i) * 0x9E3779B1
	}
	for a := sector.LBA(0); a < sector.LBA(m.Disc().Sectors); a += 16 {
		run := mapfile.Run{Range: sector.Span(a, 16), Result: mapfile.Delivered, Attempts: 1}
		of := sums
		if a/16%5 < 2 && a/16%3 > 0 {
			run.Result, of = mapfile.Failed, nil
		}
		if _, err := m.Record(pass, run, of); err != nil {
			tb.Fatal(err)
		}
	}
}
