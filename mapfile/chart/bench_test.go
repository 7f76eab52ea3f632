package chart

import (
	"fmt"
	"io"
	"testing"
)

// A dual-layer disc with 100,000 runs, from the map to each output.
func BenchmarkOutputs(b *testing.B) {
	const half = 2085472
	m := rough(b, 2*half, 50000)
	d := Disc{Layers: Layers(track(b, half, half), 0)}
	v := View{Title: "benchmark", Round: Latest, Layer: AllLayers, Field: loosely(), Marks: marksOf()}
	of := func(b *testing.B) *Picture {
		p, err := Of(m, d, v)
		if err != nil {
			b.Fatal(err)
		}
		return p
	}
	var size counter
	b.Run("of", func(b *testing.B) {
		for b.Loop() {
			of(b)
		}
	})
	for _, o := range []struct {
		name  string
		write func(*Picture, io.Writer) error
	}{
		{"svg", (*Picture).SVG},
		{"png=2000x2000", func(p *Picture, w io.Writer) error { return p.Sheets()[0].PNG(w, 2000) }},
		{"png=all", func(p *Picture, w io.Writer) error { return p.PNG(w, 2000) }},
		{"text=80", func(p *Picture, w io.Writer) error { return p.Text(w, Style{Width: 80, Colour: true}) }},
		{"text=300", func(p *Picture, w io.Writer) error { return p.Text(w, Style{Width: 300}) }},
		{"json", (*Picture).JSON},
	} {
		b.Run(fmt.Sprint(o.name), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				size = 0
				if err := o.write(of(b), &size); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(size), "bytes")
		})
	}
}

type counter int

func (c *counter) Write(p []byte) (int, error) {
	*c += counter(len(p))
	return len(p), nil
}
