package imager

import (
	"io"
	"testing"

	"turnstone/mapfile"
	"turnstone/mapfile/chart"
	"turnstone/mapfile/mapfiletest"
)

// roughCase is a map with some 100,000 runs.
func roughCase(b *testing.B) *mapfile.Map {
	m := mapfile.New("rough")
	m.AddRound(mapfile.Round{})
	if err := m.SetDisc(mapfiletest.RoughDisc()); err != nil {
		b.Fatal(err)
	}
	mapfiletest.Rough(b, m)
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
