package chart

import (
	"flag"
	"io"
	"os"
	"path/filepath"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

var render = flag.String("render", "", "write pictures of the cases into this `folder`, to be looked at")

// TestRender writes pictures for the eye. It checks nothing.
func TestRender(t *testing.T) {
	if *render == "" {
		t.Skip("pictures for the eye are written with -render FOLDER")
	}
	write := func(name string, f func(io.Writer) error) {
		t.Helper()
		out, err := os.Create(filepath.Join(*render, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := f(out); err != nil {
			t.Fatal(err)
		}
		if err := out.Close(); err != nil {
			t.Fatal(err)
		}
	}
	all := func(name string, p *Picture) {
		t.Helper()
		for _, s := range p.Sheets() {
			write(name+"-"+s.Name+".svg", s.SVG)
			write(name+".json", p.JSON)
			for style, width := range map[Style]string{{Width: 80}: "80", {Width: 20}: "20", {Width: 80, ASCII: true}: "ascii", {Width: 100, Colour: true}: "colour", {Width: 300}: "300"} {
				write(name+"-"+width+".txt", func(w io.Writer) error { return p.Text(w, style) })
			}
			write(name+"-"+s.Name+".png", func(w io.Writer) error { return s.PNG(w, 1400) })
		}
	}
	const full = 2295104
	one := Disc{Layers: Layers(track(t, full), 0)}
	m := simulated(t, full, 1)
	material, _ := TakenOff(m.Rounds())
	for name, v := range map[string]View{
		"now":   {Title: "anna-wedding", Round: Latest, Layer: AllLayers, Field: loosely(), Marks: marksOf(), Material: &material},
		"r0":    {Title: "anna-wedding", Round: 0, Layer: AllLayers, Marks: marksOf()},
		"label": {Title: "anna-wedding", Round: 0, Layer: AllLayers, Side: Label, Turn: 40, Marks: marksOf(), Field: loosely()},
	} {
		all(name, picture(t, m, one, v))
	}
	begun := caseOf(t, full)
	n := pass(t, begun, mapfile.Pass{Seconds: 500})
	record(t, begun, n, sector.Span(0, 900000), mapfile.Delivered)
	record(t, begun, n, sector.Span(900000, 60000), mapfile.Failed)
	record(t, begun, n, sector.Span(1500000, 200000), mapfile.Delivered)
	begun.AddRound(mapfile.Round{Treatments: []mapfile.Treatment{{Typed: "clean", Word: "clean"}}})
	all("begun", picture(t, begun, one, View{Title: "begun", Round: Latest, Layer: AllLayers}))
	rings := Disc{Layers: Layers(track(t, full), NoAngles)}
	all("rings", picture(t, m, rings, View{Round: 0, Layer: AllLayers}))
	all("plain", picture(t, m, Disc{}, View{Round: Latest, Layer: AllLayers}))
	all("new", picture(t, mapfile.New("x"), Disc{}, View{Title: "new", Round: Latest, Layer: AllLayers}))
	all("small", picture(t, simulated(t, 714544, 1), Disc{Diameter: Small, Layers: Layers(track(t, 714544), 0.02)}, View{Title: "8 cm", Round: 0, Layer: AllLayers}))
	const half = 2080000
	two := Disc{Layers: Layers(track(t, half, half), 0)}
	all("rough", picture(t, rough(t, 2*half, 50000), two, View{Title: "two layers", Round: Latest, Layer: AllLayers}))
}
