package sim

import (
	"math"
	"testing"
)

// treated is testDisc's surface with some marks after some treatments.
func treated(t *testing.T, treatments string, marks string) *ground {
	t.Helper()
	changes := append(marked(marks), `{"treatments": []}`, `{"treatments": []}, {"treatments": [`+treatments+`]}`)
	d := disc(t, changes...)
	return d.grounds[1]
}

func TestSanding(t *testing.T) {
	const haze = `{"haze": {"region_mm": [20, 60], "density": 0.5}}`
	for _, test := range []struct {
		name, treatments string
		at               spot
		haze, off        float64
	}{
		{"nothing", ``, at(30, 0), 0.5, 0},
		{"coarse", `{"sand": {"grit": 2000, "strokes": 3, "region_mm": [20, 40]}}`, at(30, 0), 3 + 0.5*math.Exp(-36.0/6), 36},
		{"beside it", `{"sand": {"grit": 2000, "strokes": 3, "region_mm": [20, 40]}}`, at(41, 0), 0.5, 0},
		{"coarse, fine", `{"sand": {"grit": 2000, "strokes": 2, "region_mm": [20, 40]}},
			{"sand": {"grit": 3000, "strokes": 2, "region_mm": [20, 60]}}`, at(30, 0),
			1.2 + (3+0.5*math.Exp(-24.0/6))*math.Exp(-8.0/6), 32},
	} {
		h, off := treated(t, test.treatments, haze).at(test.at)
		if !near(h, test.haze, 1e-12) || !near(off, test.off, 1e-12) {
			t.Errorf("%s: haze %v, %v µm off; want %v, %v", test.name, h, off, test.haze, test.off)
		}
	}
}

func TestPolishing(t *testing.T) {
	g := treated(t, `{"polish": {"seconds": 60, "region_mm": [20, 60]}}`, `{"haze": {"region_mm": [20, 60], "density": 1}}`)
	least, most, sum, n := math.Inf(1), 0.0, 0.0, 0
	for r := 24.0; r < 58; r += 0.25 {
		for a := 0.0; a < 1; a += 1.0 / 128 {
			haze, off := g.at(at(r, a))
			even := -math.Log(haze) * 30 / 60 // haze falls as exp(-even·seconds/30)
			if want := even * 0.5; !near(off, want, 1e-9) {
				t.Fatalf("%v mm, %v turns: %v µm off; want %v as the haze has it", r, a, off, want)
			}
			least, most, sum, n = min(least, even), max(most, even), sum+even, n+1
		}
	}
	if !near(least, 0.1, 1e-9) {
		t.Errorf("least polish = %v; want 0.1: five waves can take more away", least)
	}
	if limit := 1 + 5*0.8*0.35; most > limit || most < 1.5 {
		t.Errorf("most polish = %v; want up to %v", most, limit)
	}
	if mean := sum / float64(n); math.Abs(mean-1) > 0.1 {
		t.Errorf("mean polish = %v; want about 1", mean)
	}
	// A turn closes.
	if a, _ := g.at(at(30, 0)); a != 0 {
		if b, _ := g.at(at(30, 1-1e-12)); !near(a, b, 1e-9) {
			t.Errorf("haze at angle 0 and just before 1 = %v, %v; want the same", a, b)
		}
	}
	// Another seed, another hand.
	other := disc(t, `"seed": 1`, `"seed": 2`, `{"treatments": []}`,
		`{"treatments": []}, {"treatments": [{"polish": {"seconds": 60, "region_mm": [20, 60]}}]}`).grounds[1]
	if a, b := g.steps[0].waves, other.steps[0].waves; a == b {
		t.Errorf("waves of two seeds are the same; want others")
	}
}

// What was taken off thins the substrate, and with it the beam at the surface.
func TestBeamThins(t *testing.T) {
	d := disc(t)
	full := d.beam(d.track.At(0), 0)
	// Layer 0.6 mm deep, aperture 0.60, index 1.55 (ECMA-267 [memory]).
	if want := 0.6 * math.Tan(math.Asin(0.6/1.55)); !near(full, want, 1e-12) {
		t.Errorf("beam radius = %v mm; want %v", full, want)
	}
	if got, want := d.beam(d.track.At(0), 60), full*0.9; !near(got, want, 1e-12) {
		t.Errorf("beam radius where 60 µm are off = %v; want %v", got, want)
	}
}

// Sanded and not yet polished a disc is unreadable; each polish brings some of it
// back, and where material came off, shallow scratches are gone.
func TestResurfacing(t *testing.T) {
	d := disc(t, append(marked(`{"arc": {"r_mm": 24.6, "from_deg": 0, "to_deg": 360, "width_mm": 0.4, "depth_um": 25}}`),
		`{"treatments": []}`, `{"treatments": []},
		{"treatments": [{"sand": {"grit": 2000, "strokes": 2, "region_mm": [20, 60]}}, {"sand": {"grit": 3000, "strokes": 2, "region_mm": [20, 60]}}]},
		{"treatments": [{"polish": {"seconds": 90, "region_mm": [20, 60]}}]},
		{"treatments": [{"polish": {"seconds": 90, "region_mm": [20, 60]}}]}`)...)
	var bad [4]int
	for r := range bad {
		for b := int64(0); b < d.scenario.Blocks(); b += 5 {
			if !d.AppendChances(nil, r, b)[0].Readable() {
				bad[r]++
			}
		}
	}
	if !(bad[0] > 100 && bad[1] == 600 && bad[2] < 550 && bad[3] < bad[0]/10) {
		t.Errorf("unreadable of 600 blocks by round = %v; want some, all, fewer, hardly any", bad)
	}
}
