package chart

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// tool finds a program that others wrote, of a Debian package.
func tool(t *testing.T, name, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is missing (apt package %s)", name, pkg)
		}
		t.Skipf("%s is missing (apt package %s)", name, pkg)
	}
	return path
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
	return string(out)
}

func svgOf(t testing.TB, write func(io.Writer) error) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// full is the sectors of a disc of 4.7 GB.
const full = 2295104

// cases are maps at the ends of what there is, by name.
func cases(t *testing.T) map[string]*Picture {
	t.Helper()
	now := View{Title: "case <7> & \"more\"", Round: Latest, Layer: AllLayers, Marks: marksOf(), Field: loosely()}
	one := Disc{Layers: Layers(track(t, full), 0)}
	all := map[string]*Picture{"new": picture(t, mapfile.New("new"), Disc{}, now)}
	whole := func(r mapfile.Result) *mapfile.Map {
		m := caseOf(t, full)
		record(t, m, pass(t, m, mapfile.Pass{Seconds: 60}), sector.Span(0, full), r)
		return m
	}
	all["untried"] = picture(t, caseOf(t, full), one, now)
	all["all good"] = picture(t, whole(mapfile.Delivered), one, now)
	all["all bad"] = picture(t, whole(mapfile.Failed), one, now)
	all["blind"] = picture(t, whole(mapfile.Failed), Disc{}, now)
	single := caseOf(t, 1)
	record(t, single, pass(t, single, mapfile.Pass{}), sector.Span(0, 1), mapfile.Failed)
	all["one sector"] = picture(t, single, Disc{Layers: Layers(track(t, 1), 0)}, now)
	all["one sector, blind"] = picture(t, single, Disc{}, now)
	all["8 cm"] = picture(t, caseOf(t, 714544), Disc{Diameter: Small, Layers: Layers(track(t, 714544), 0.02)}, now)
	const half = 2080000
	all["two layers"] = picture(t, rough(t, 2*half, 3000), Disc{Layers: Layers(track(t, half, half), NoAngles)}, now)
	nan, inf := math.NaN(), math.Inf(1)
	odd := View{Round: Latest, Layer: AllLayers, Turn: nan, Field: &Field{Inner: 20, Step: 3, Bands: 2, Angles: 3,
		Loss: []float32{float32(nan), -1, 2, 0, 1, float32(inf)}, Certainty: []float32{1, 1, 1, float32(nan), 2, -1}}}
	for _, v := range []float64{nan, inf, -inf, 1e300, -5, 0} {
		odd.Marks = append(odd.Marks, Mark{Inner: v, Outer: v, From: v, To: v}, Mark{Inner: 30, Outer: 31, From: 0.3, To: v}, Mark{Line: []Polar{{v, v}, {30, v}}})
	}
	all["odd marks"] = picture(t, whole(mapfile.Failed), one, odd)
	all["story"] = picture(t, story(t), Disc{}, View{Round: 1, Layer: AllLayers})
	return all
}

// Every output of every case is well-formed, and of what size it says.
func TestOutputsOfCases(t *testing.T) {
	for name, p := range cases(t) {
		for _, s := range p.Sheets() {
			wantXML(t, name+", "+s.Name, svgOf(t, s.SVG))
			img, err := png.Decode(bytes.NewReader(svgOf(t, func(w io.Writer) error { return s.PNG(w, 300) })))
			if err != nil || img.Bounds().Dx() != 300 {
				t.Errorf("%s, %s: PNG is %v wide, %v; want 300", name, s.Name, img.Bounds(), err)
			}
		}
		wantXML(t, name, svgOf(t, p.SVG))
		if b := svgOf(t, p.JSON); !json.Valid(b) {
			t.Errorf("%s: JSON is not valid: %.200s", name, b)
		}
	}
	p := cases(t)["story"]
	for _, pixels := range []int{-1, 0, LeastPixels - 1, MostPixels + 1} {
		if err := p.PNG(io.Discard, pixels); !errors.Is(err, ErrPixels) {
			t.Errorf("PNG of %d pixels = %v; want ErrPixels", pixels, err)
		}
	}
	full := errors.New("disk full")
	for name, write := range map[string]func(io.Writer) error{"SVG": p.SVG, "JSON": p.JSON,
		"PNG": func(w io.Writer) error { return p.PNG(w, 300) }, "text": func(w io.Writer) error { return p.Text(w, Style{Width: 80}) }} {
		if err := write(failing{full}); !errors.Is(err, full) {
			t.Errorf("%s into a full disk = %v; want the disk's error", name, err)
		}
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

func wantXML(t *testing.T, name string, svg []byte) {
	t.Helper()
	for d := xml.NewDecoder(bytes.NewReader(svg)); ; {
		if _, err := d.Token(); err == io.EOF {
			return
		} else if err != nil {
			t.Fatalf("%s: SVG is not XML: %v", name, err)
		}
	}
}

// A single missing block is seen in every output, wherever it lies.
func TestOneBlockIsSeen(t *testing.T) {
	for _, at := range []sector.LBA{0, 16, 1000000 - 1000000%16, full - 16} {
		m := caseOf(t, full)
		n := pass(t, m, mapfile.Pass{})
		record(t, m, n, sector.Span(0, full), mapfile.Delivered)
		record(t, m, pass(t, m, mapfile.Pass{}), sector.Span(at, 16), mapfile.Failed)
		for i := range 16 {
			m.Rot(at + sector.LBA(i))
		}
		record(t, m, pass(t, m, mapfile.Pass{}), sector.Span(at, 16), mapfile.Failed)
		for _, doubt := range []float64{0, 0.05, NoAngles} {
			p := picture(t, m, Disc{Layers: Layers(track(t, full), doubt)}, View{Round: Latest, Layer: AllLayers})
			s := p.Sheets()[0]
			// The fill of its line; the legend's sample has one too, the strip another.
			if n := strings.Count(string(svgOf(t, s.SVG)), fmt.Sprintf(`<path fill="%v"`, vermilion)); n != 3 {
				t.Errorf("block at %d, doubt %v: the SVG has %d areas of vermilion; want disc, legend and strip", at, doubt, n)
			}
			img := decoded(t, svgOf(t, func(w io.Writer) error { return s.PNG(w, 600) }))
			if n := redder(img, 400); n < 20 {
				t.Errorf("block at %d, doubt %v: %d pixels of the disc are vermilion; want a line", at, doubt, n)
			}
			for _, style := range []Style{{Width: 80}, {Width: 20}, {Width: 300}, {Width: 60, ASCII: true}} {
				text := string(svgOf(t, func(w io.Writer) error { return p.Text(w, style) }))
				sign := inksOf(style.ASCII).failed[0]
				if disc, _, _ := strings.Cut(text, "Good, won"); !strings.Contains(disc, sign) {
					t.Errorf("block at %d, doubt %v: no %q in the disc of %d columns", at, doubt, sign, style.Width)
				}
			}
			if b := svgOf(t, p.JSON); !bytes.Contains(b, []byte(`"bad":[`)) {
				t.Errorf("block at %d: the JSON has no cells with bad sectors", at)
			}
		}
	}
}

func decoded(t *testing.T, b []byte) image.Image {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// redder counts the pixels above a row and left of the legend that are more red
// than blue by far.
func redder(img image.Image, below int) int {
	n := 0
	for y := range below {
		for x := range img.Bounds().Dx() * 72 / 100 {
			if r, _, b, _ := img.At(x, y).RGBA(); r > b+0x3000 {
				n++
			}
		}
	}
	return n
}

// twoPlaces is a disc of which two stretches of 40 mm and 50 mm radius are missing,
// some turns long and a quarter of a turn wide, and what colour its places have.
func twoPlaces(t *testing.T) (*Picture, map[Polar]rgb) {
	t.Helper()
	tr := track(t, full)
	m := caseOf(t, full)
	n := pass(t, m, mapfile.Pass{})
	var bad sector.Set
	for _, at := range []Polar{{40, 0.3}, {50, 0.75}} {
		first := math.Floor(tr.Turn(0, at.Radius)) + at.Angle
		for turn := range 2703 { // 2 mm
			from, to := tr.Position(0, first+float64(turn)), tr.Position(0, first+float64(turn)+0.25)
			bad.Add(sector.Range{First: sector.LBA(from), End: sector.LBA(to)})
		}
	}
	all := sector.Of(sector.Span(0, full))
	good := all.Subtract(&bad)
	for r := range good.Runs() {
		record(t, m, n, r, mapfile.Delivered)
	}
	for r := range bad.Runs() {
		record(t, m, n, r, mapfile.Failed)
	}
	tint := paintOf(class{kind: won}, 0).base
	return picture(t, m, Disc{Layers: Layers(tr, 0)}, View{Round: Latest, Layer: AllLayers, Turn: 30}), map[Polar]rgb{
		{41, 0.45}: vermilion, {41, 0.35}: vermilion, {41, 0.52}: vermilion, {51, 0.8}: vermilion, {51, 0.98}: vermilion,
		{41, 0.25}: tint, {41, 0.60}: tint, {51, 0.72}: tint, {51, 0.05}: tint, {46, 0.42}: tint, {38.5, 0.42}: tint, {55, 0.9}: tint,
		{59.3, 0.2}: body, {21, 0.3}: body, {5, 0.1}: paper,
	}
}

// wantPlaces looks at the places of a picture of the whole sheet. The place on
// paper is computed here: clockwise from above, turned by 30 degrees.
func wantPlaces(t *testing.T, by string, img image.Image, places map[Polar]rgb) {
	t.Helper()
	scale := float64(img.Bounds().Dx()) / sheetWidth
	for p, want := range places {
		sin, cos := math.Sincos(2 * math.Pi * (p.Angle + 30.0/360))
		x, y := (middleX+p.Radius*sin)*scale, (middleY-p.Radius*cos)*scale
		r, g, b, _ := img.At(int(x), int(y)).RGBA()
		got := rgb{uint8(r >> 8), uint8(g >> 8), uint8(b >> 8)}
		if max(abs(got.r, want.r), abs(got.g, want.g), abs(got.b, want.b)) > 6 {
			t.Errorf("%s: %v mm at %v of a turn is %v; want %v", by, p.Radius, p.Angle, got, want)
		}
	}
}

func abs(a, b uint8) int { return max(int(a)-int(b), int(b)-int(a)) }

// Our own PNG, and the SVG as two independent renderers draw it, have what is
// missing at the same places, those of a computation apart from the drawing.
func TestRenderersAgree(t *testing.T) {
	p, places := twoPlaces(t)
	s := p.Sheets()[0]
	dir := t.TempDir()
	svg := filepath.Join(dir, "sheet.svg")
	if err := os.WriteFile(svg, svgOf(t, s.SVG), 0o600); err != nil {
		t.Fatal(err)
	}
	load := func(path string) image.Image {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return decoded(t, b)
	}
	t.Run("own", func(t *testing.T) {
		ours := filepath.Join(dir, "own.png")
		if err := os.WriteFile(ours, svgOf(t, func(w io.Writer) error { return s.PNG(w, 1900) }), 0o600); err != nil {
			t.Fatal(err)
		}
		wantPlaces(t, "own PNG", load(ours), places)
		run(t, tool(t, "pngcheck", "pngcheck"), "-q", ours)
	})
	t.Run("xmllint", func(t *testing.T) {
		run(t, tool(t, "xmllint", "libxml2-utils"), "--noout", "--nonet", svg)
	})
	t.Run("rsvg", func(t *testing.T) {
		out := filepath.Join(dir, "rsvg.png")
		run(t, tool(t, "rsvg-convert", "librsvg2-bin"), "-w", "1900", "-o", out, svg)
		wantPlaces(t, "rsvg-convert", load(out), places)
		// In true millimetres: at 254 dots an inch, 10 pixels are one.
		run(t, tool(t, "rsvg-convert", "librsvg2-bin"), "-d", "254", "-p", "254", "-o", out, svg)
		if w := load(out).Bounds().Dx(); w != 1900 {
			t.Errorf("at 254 dots an inch the sheet is %d pixels wide; want 1900", w)
		}
	})
	t.Run("chromium", func(t *testing.T) {
		out := filepath.Join(dir, "chromium.png")
		// A CSS pixel is 1/96 inch: 190 mm are 718.1 of them.
		run(t, tool(t, "chromium", "chromium"), "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
			"--user-data-dir="+filepath.Join(dir, "profile"), "--force-device-scale-factor=2", "--window-size=718,718", "--screenshot="+out, "file://"+svg)
		img := load(out)
		if w := img.Bounds().Dx(); w != 1436 {
			t.Fatalf("the screenshot is %d pixels wide; want 1436", w)
		}
		wantPlaces(t, "Chromium", img, places)
	})
}
