package chart

import (
	"bytes"
	"image"
	"image/png"
	"math"
	"math/rand/v2"
	"testing"
)

// shown is a scene as an image of so many pixels in a mm.
func shown(t *testing.T, s *scene, scale int) image.Image {
	t.Helper()
	var b bytes.Buffer
	if err := writePNG(&b, []*scene{s}, int(s.width)*scale); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// inked is the area of a scene that is black, in mm².
func inked(img image.Image, scale int) float64 {
	sum := 0.0
	for y := range img.Bounds().Dy() {
		for x := range img.Bounds().Dx() {
			r, _, _, _ := img.At(x, y).RGBA()
			sum += 1 - float64(r)/0xffff
		}
	}
	return sum / float64(scale*scale)
}

// A triangle has the area that the shoelace formula gives, whichever way round it
// is drawn; what lies off the sheet is cut off.
func TestTrianglesHaveTheirArea(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for range 50 {
		var p [3]point
		for i := range p {
			p[i] = point{1 + 18*rng.Float64(), 1 + 18*rng.Float64()}
		}
		s := &scene{width: 20, height: 20}
		s.fill(paint{}, p[:])
		want := math.Abs((p[1].x-p[0].x)*(p[2].y-p[0].y)-(p[2].x-p[0].x)*(p[1].y-p[0].y)) / 2
		if got := inked(shown(t, s, 8), 8); math.Abs(got-want) > 0.15 {
			t.Errorf("triangle %v covers %.3f mm²; want %.3f", p, got, want)
		}
	}
	s := &scene{width: 20, height: 20}
	s.fill(paint{}, rectangle(-100, -100, 110, 300))
	if got := inked(shown(t, s, 8), 8); math.Abs(got-200) > 0.1 {
		t.Errorf("half a sheet covers %.3f mm²; want 200", got)
	}
}

// Rings are the difference of two discs by the even-odd rule; a line is as wide as
// its pen, and its pieces and corners are not counted twice.
func TestRingsAndLines(t *testing.T) {
	s := &scene{width: 20, height: 20}
	s.fill(paint{}, circle(point{10, 10}, 8), circle(point{10, 10}, 5))
	if got, want := inked(shown(t, s, 10), 10), math.Pi*(64-25); math.Abs(got-want) > 0.3 {
		t.Errorf("a ring covers %.2f mm²; want %.2f", got, want)
	}
	s = &scene{width: 20, height: 20}
	s.stroke(1, rgb{}, []point{{3, 5}, {10, 5}, {17, 5}}, []point{{10, 2}, {10, 12}})
	// 14 mm and 10 mm of 1 mm, less where they cross, and two half discs each.
	if got, want := inked(shown(t, s, 10), 10), 14+10-1+math.Pi/2; math.Abs(got-want) > 0.15 {
		t.Errorf("a cross covers %.2f mm²; want %.2f", got, want)
	}
	s = &scene{width: 20, height: 20}
	s.dots(1, rgb{}, []point{{2, 10}, {18, 10}}) // a dot each 2.21 mm
	if got, want := inked(shown(t, s, 10), 10), 8*math.Pi/4; math.Abs(got-want) > 0.3 {
		t.Errorf("dots cover %.2f mm²; want %.2f", got, want)
	}
}

// A hatched area is as dark as its lines cover of it, for all hatches.
func TestHatches(t *testing.T) {
	for h := plain; h <= closeLines; h++ {
		p := paint{base: paper, hatch: h}
		s := &scene{width: 24, height: 24}
		s.fill(p, rectangle(0, 0, 24, 24))
		rise, fall, level, tall := h.lines()
		free := 1.0
		for _, l := range []bool{rise, fall, level, tall} {
			if l {
				free *= 1 - hatchWidth/h.step()
			}
		}
		if got, want := inked(shown(t, s, 20), 20)/(24*24), 1-free; math.Abs(got-want) > 0.02 {
			t.Errorf("hatch %d covers %.3f of the area; want %.3f", h, got, want)
		}
	}
}

// Every glyph is strokes of points within its box, and no two are alike.
func TestGlyphs(t *testing.T) {
	seen := map[string]rune{}
	for r := rune(33); r < 127; r++ {
		g, ok := glyphs[r]
		if !ok {
			continue
		}
		if o, twice := seen[g]; twice && r != '|' && o != '|' {
			t.Errorf("%q and %q are drawn alike", r, o)
		}
		seen[g] = r
	}
	for r, g := range glyphs {
		l := label{text: string(r), size: capUnits}
		for _, path := range l.strokes().paths {
			if len(path) < 2 {
				t.Errorf("%q has a stroke of one point: %q", r, g)
			}
			for _, p := range path {
				if p.x < 0 || p.x > 6 || p.y > 3 || p.y < -8 {
					t.Errorf("%q has a point at %v outside its box", r, p)
				}
			}
		}
	}
}
