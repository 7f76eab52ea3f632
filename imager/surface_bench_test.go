package imager

import (
	"io"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// roughCase is the map of a disc of two layers with some 100,000 runs: spots of failed
// blocks that keep to angles nowhere, and single blocks between them.
func roughCase(b *testing.B) *mapfile.Map {
	const half = 2_080_000
	m := mapfile.New("rough")
	m.AddRound(mapfile.Round{})
	d := mapfile.Disc{Kind: "dvd", Sectors: 2 * half, BlockSectors: 16, Layers: []int64{half, half}}
	d.Written.Add(sector.Span(0, d.Sectors))
	if err := m.SetDisc(d); err != nil {
		b.Fatal(err)
	}
	m.AddDrive(mapfile.Drive{Node: "A"})
	pass, err := m.AddPass(mapfile.Pass{Seconds: 5000})
	if err != nil {
		b.Fatal(err)
	}
	sums := make([]uint32, 16)
	for a := sector.LBA(0); a < 2*half; a += 16 {
		run := mapfile.Run{Range: sector.Span(a, 16), Result: mapfile.Delivered, Attempts: 1}
		of := sums
		if a/16%5 < 2 && a/16%3 > 0 {
			run.Result, of = mapfile.Failed, nil
		}
		if _, err := m.Record(pass, run, of); err != nil {
			b.Fatal(err)
		}
	}
	return m
}

// BenchmarkDamageMap is the whole of chart, angles fitted and marks found, in seconds.
func BenchmarkDamageMap(b *testing.B) {
	m := roughCase(b)
	v := chart.View{Round: chart.Latest, Layer: chart.AllLayers}
	for _, out := range []struct {
		name string
		draw func(*chart.Picture) error
	}{
		{"as=text", func(p *chart.Picture) error { return p.Text(io.Discard, chart.Style{Width: 80}) }},
		{"as=svg", func(p *chart.Picture) error { return p.SVG(io.Discard) }},
		{"as=png", func(p *chart.Picture) error { return p.PNG(io.Discard, 2000) }},
		{"as=strip", nil},
	} {
		b.Run(out.name, func(b *testing.B) {
			for b.Loop() {
				if out.draw == nil {
					if _, _, err := Glance(m); err != nil {
						b.Fatal(err)
					}
					continue
				}
				p, err := DamageMap(m, v)
				if err != nil {
					b.Fatal(err)
				}
				if err := out.draw(p); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
