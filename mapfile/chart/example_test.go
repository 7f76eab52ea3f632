package chart_test

import (
	"fmt"
	"io"

	"turnstone/device/spiral"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// The damage map of a disc with one layer, of which only radii are known, as a
// page to print and as text.
func Example() {
	draw := func(m *mapfile.Map, page, terminal io.Writer) error {
		track, err := spiral.Nominal("dvd", false, m.Disc().Sectors)
		if err != nil {
			return err
		}
		disc := chart.Disc{Layers: chart.Layers(track, chart.NoAngles)}
		p, err := chart.Of(m, disc, chart.View{Title: "anna-wedding", Round: chart.Latest, Layer: chart.AllLayers})
		if err != nil {
			return err
		}
		if err := p.SVG(page); err != nil {
			return err
		}
		return p.Text(terminal, chart.Style{Width: 80})
	}
	fmt.Println(draw(mapfile.New("anna-wedding"), io.Discard, io.Discard))
	// Output: DVD, one layer: spiral: layer 0 of 0 sectors
}
