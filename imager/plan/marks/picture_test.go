package marks_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"turnstone/imager/plan/marks"
)

var picture = flag.String("picture", "", "draw the marks of plain.json beside those found into this file")

// mostDrawn is how many of the marks found are drawn, the costliest.
const mostDrawn = 24

// TestPicture draws the marks that a simulated disc has beside those found, the map turned
// by the places of some of them: as chart --seen does.
func TestPicture(t *testing.T) {
	if *picture == "" {
		t.Skip("the flag -picture names no file")
	}
	w := load(t, "../../../testdata/scenarios/marks/plain.json")
	s := w.measure(0)
	if s.seen.bent == nil {
		t.Fatalf("the places told turn the map in no way: %v", s.seen.err)
	}
	inner := w.track.At(0).Radius
	outer := w.track.At(float64(w.blocks * 16)).Radius
	var b strings.Builder
	fmt.Fprintf(&b, "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"150mm\" height=\"88mm\" viewBox=\"0 -6 150 88\" font-family=\"sans-serif\">\n")
	fmt.Fprintf(&b, "<title>Simulated scratches, and the marks that were found</title>\n<rect x=\"0\" y=\"-6\" width=\"150\" height=\"88\" fill=\"#fff\"/>\n")
	at := func(x, r, turns float64) string {
		sin, cos := math.Sincos(2 * math.Pi * turns)
		return fmt.Sprintf("%.2f,%.2f", x+r*sin, 40-r*cos)
	}
	frame := func(x float64, title string) {
		fmt.Fprintf(&b, "<text x=\"%g\" y=\"-1\" font-size=\"3.2\" text-anchor=\"middle\">%s</text>\n", x, title)
		for _, r := range []float64{inner, outer, 7.5} {
			fmt.Fprintf(&b, "<circle cx=\"%g\" cy=\"40\" r=\"%.1f\" fill=\"none\" stroke=\"#999\" stroke-width=\".15\"/>\n", x, r)
		}
		for h := 1; h <= 12; h++ {
			x, y, _ := strings.Cut(at(x, outer+2, float64(h)/12), ",")
			fmt.Fprintf(&b, "<text x=\"%s\" y=\"%s\" dy=\".7\" font-size=\"2\" text-anchor=\"middle\">%d</text>\n", x, y, h)
		}
	}
	line := func(points []string, colour string, wide float64) {
		fmt.Fprintf(&b, "<polyline points=\"%s\" fill=\"none\" stroke=\"%s\" stroke-width=\"%.2f\"/>\n", strings.Join(points, " "), colour, wide)
	}
	frame(36, "the simulated scratches")
	for _, m := range w.marks {
		var points []string
		for i, p := range m.points() {
			if r := math.Hypot(p[0], p[1]); i%8 == 0 && r <= outer+.5 {
				points = append(points, at(36, r, math.Atan2(p[1], p[0])/(2*math.Pi)+held))
			}
		}
		if m.dims() {
			line(points, "#000", .45)
		} else {
			line(points, "#999", .12)
		}
	}
	frame(112, "the marks that were found")
	f := s.seen.bent.Find(0, w.sights[0])
	for _, m := range f.Marks[:min(mostDrawn, len(f.Marks))] {
		line(along(m, func(p marks.Place) string { return at(112, p.Radius, p.Angle+s.seen.fit.Turn/360) }), "#D55E00", max(.3, m.Outer-m.Inner))
	}
	b.WriteString("</svg>\n")
	if err := os.WriteFile(*picture, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}

// along is the places of a mark from one end over its middle to the other.
func along(m marks.Mark, at func(marks.Place) string) (points []string) {
	stops := []marks.Place{m.Ends[0], m.Middle, m.Ends[1]}
	const steps = 12
	for i := range len(stops) - 1 {
		a, b := stops[i], stops[i+1]
		for k := range steps + 1 {
			x := float64(k) / steps
			points = append(points, at(marks.Place{Radius: a.Radius + x*(b.Radius-a.Radius), Angle: a.Angle + x*math.Remainder(b.Angle-a.Angle, 1)}))
		}
	}
	return points
}
