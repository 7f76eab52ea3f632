package spiral

import (
	"math"
	"strings"
	"testing"
)

func near(got, want, share float64) bool { return math.Abs(got-want) <= share*math.Abs(want) }

// The counts are those of the media as sold (encyclopaedia copies, OSTA's DVD
// questions and answers, burning programs' tables; 8 cm and BD's 100 and 128 GB
// [memory]).
func TestCapacities(t *testing.T) {
	// The data zone may begin at 23.9 to 24.0 mm on recordable discs. A DVD-R
	// holds 0.15 % more than fits between 24.0 and 58.0 mm at nominal density,
	// so that it is held against the middle of what is allowed.
	early := DVD(1)
	early.Inner.Nominal = 23.95
	for _, c := range []struct {
		name   string
		m      Medium
		layers int64
		outer  float64
		want   int64
	}{
		{"DVD+R, one layer", DVD(1), 1, 58, 2_295_104},
		{"DVD-R, one layer", early, 1, 58, 2_298_496},
		{"DVD-R, two layers", DVD(2), 2, 58, 4_171_712},
		{"DVD+R, two layers", DVD(2), 2, 58, 4_173_824},
		{"DVD of 8 cm", DVD(1), 1, OuterOfSmall, 714_544},
		{"BD, 25 GB", BD(1), 1, 58, 12_219_392},
		{"BD, 50 GB", BD(2), 2, 58, 24_438_784},
		{"BD, 100 GB", BD(3), 3, 58, 48_878_592},
		{"BD, 128 GB", BD(4), 4, 58, 62_500_864},
	} {
		got := c.layers * c.m.Shape(true, 1).Capacity(c.outer)
		if !near(float64(got), float64(c.want), 0.001) {
			t.Errorf("%s: Capacity(%v) = %d; want %d within 0.1 %%", c.name, c.outer, got, c.want)
		}
	}
	// "74 minutes" at the slowest velocity and nominal pitch end just inside.
	if got := CD(CDSlowest).Shape(false, 1).Capacity(58); got < 333_000 || got > 338_000 {
		t.Errorf("CD: Capacity(58) = %d; want 74 to 75 minutes, 333,000 to 337,500", got)
	}
}

// Sector lengths and sectors per turn as computed by hand from the standards'
// pitch, channel bit and sector (ECMA-267, ECMA-130).
func TestSectorsPerTurn(t *testing.T) {
	for _, c := range []struct {
		m       Medium
		length  float64 // mm
		perTurn map[float64]float64
	}{
		{DVD(1), 5.1571, map[float64]float64{24: 29.24, 40: 48.73, 58: 70.66}},
		{DVD(2), 5.6755, map[float64]float64{24: 26.57, 40: 44.28, 58: 64.21}},
		{CD(CDSlowest), 16.00, map[float64]float64{25: 9.82, 58: 22.78}},
		{CD(CDFastest), 18.667, nil},
		{BD(1), 2.2400, nil},
	} {
		track, err := New(c.m.Shape(false, 100_000))
		if err != nil {
			t.Fatalf("%s: New: %v", c.m.Name, err)
		}
		if got := track.Shape().Sector; !near(got, c.length, 2e-4) {
			t.Errorf("%s: a sector is %.5f mm long; want %.4f", c.m.Name, got, c.length)
		}
		for radius, want := range c.perTurn {
			if got := track.PerTurn(radius); math.Abs(got-want) > 0.005 {
				t.Errorf("%s: PerTurn(%v) = %.4f; want %.2f", c.m.Name, radius, got, want)
			}
		}
	}
}

// Reference velocities as printed in the standards' summaries (DVD 3.49 and
// 3.84 m/s, CD 1.2 to 1.4 m/s, BD 4.917 m/s): they tie bit length to bit rate.
func TestVelocities(t *testing.T) {
	for _, c := range []struct {
		m    Medium
		want float64
	}{{DVD(1), 3.49}, {DVD(2), 3.84}, {CD(CDSlowest), 1.20}, {CD(CDFastest), 1.40}, {BD(1), 4.917}} {
		if got := c.m.Velocity(); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%s: Velocity() = %.4f m/s; want %.3f", c.m.Name, got, c.want)
		}
	}
	// User bytes a second at 1x: CD 75 sectors exactly; BD 4,495,625 in burning
	// programs' tables; DVD 18,000,000/13.
	for _, c := range []struct {
		m    Medium
		want float64
	}{{CD(1.3), 75 * 2048}, {DVD(1), 18e6 / 13}, {BD(1), 4_495_625}} {
		if got := c.m.BitRate / c.m.SectorBits * 2048; !near(got, c.want, 1e-5) {
			t.Errorf("%s: %.1f user bytes a second; want %.1f", c.m.Name, got, c.want)
		}
	}
}

// Beam diameters computed apart from this package by sinθ = NA/n, D = 2·t·tanθ.
func TestBeam(t *testing.T) {
	for _, c := range []struct {
		name string
		got  float64
		want float64
	}{
		{"DVD, first layer", DVD(1).Beam(0), 0.504},
		{"DVD, first of two", DVD(2).Beam(0), 0.504},
		{"DVD, second layer", DVD(2).Beam(1), 0.550},
		{"DVD, a layer too many", DVD(2).Beam(7), 0.550},
		{"DVD, a layer below 0", DVD(2).Beam(-1), 0.504},
		{"DVD, index 1.45", BeamDiameter(0.6, 0.60, 1.45), 0.545},
		{"DVD, index 1.65", BeamDiameter(0.6, 0.60, 1.65), 0.468},
		{"CD", CD(CDSlowest).Beam(0), 0.728},
		{"BD", BD(1).Beam(0), 0.125},
	} {
		if math.Abs(c.got-c.want) > 0.001 {
			t.Errorf("%s: beam of %.4f mm; want %.3f", c.name, c.got, c.want)
		}
	}
}

func TestTolerances(t *testing.T) {
	for _, m := range []Medium{DVD(1), DVD(2), CD(CDSlowest), CD(CDFastest), BD(1), BD(2), BD(3), BD(4)} {
		for name, v := range map[string]Tolerance{"inner": m.Inner, "pitch": m.Pitch, "bit": m.Bit} {
			if !v.Allows(v.Nominal) || !v.Allows(v.Least) || !v.Allows(v.Most) || v.Least >= v.Most {
				t.Errorf("%s: %s = %+v; want least below most and the nominal between", m.Name, name, v)
			}
			if v.Allows(v.Least*0.99) || v.Allows(v.Most*1.01) || v.Allows(math.NaN()) {
				t.Errorf("%s: %s = %+v allows what lies outside", m.Name, name, v)
			}
		}
		if len(m.Depth) == 0 || m.Aperture >= m.Index {
			t.Errorf("%s: optics %v, %v, %v make no beam", m.Name, m.Depth, m.Aperture, m.Index)
		}
	}
}

func TestNominal(t *testing.T) {
	for _, c := range []struct {
		kind     string
		opposite bool
		layers   []int64
		end      float64 // radius at the end of the first layer
		pitch    float64 // µm
		fault    string
	}{
		{"dvd", false, []int64{714_544}, 38.0, 0.74, ""},
		{"dvd", false, []int64{2_295_104}, 58.0, 0.74, ""},
		{"dvd", false, []int64{2_298_496}, 58.0, 0.73891, ""}, // denser than nominal
		{"dvd", true, []int64{2_085_472, 2_085_472}, 58.0, 0.74, ""},
		{"dvd", false, []int64{2_086_912, 2_086_912}, 58.0, 0.7395, ""},
		{"unknown", false, []int64{714_544}, 38.0, 0.74, ""},
		{"cd", false, []int64{333_000}, 57.78, 1.6, ""},
		{"cd", false, []int64{360_000}, 58.0, 1.4937, ""}, // "80 minutes"
		{"bd", true, []int64{12_219_392, 12_219_392}, 58.0, 0.32, ""},
		{"bd", true, []int64{15_625_216, 15_625_216, 15_625_216, 15_625_216}, 58.0, 0.32, ""},
		{"dvd", false, []int64{4_173_824}, 0, 0, "a layer holds about 2295115 sectors, not 4173824"},
		{"cd", false, []int64{1 << 60}, 0, 0, "a layer holds about"},
		{"dvd", false, nil, 0, 0, "1 to 4 layers"},
		{"dvd", false, []int64{0}, 0, 0, "layer 0 of 0 sectors"},
		{"dvd", true, []int64{1600, 3200}, 0, 0, "runs inwards"},
	} {
		track, err := Nominal(c.kind, c.opposite, c.layers...)
		if c.fault != "" {
			if err == nil || !strings.Contains(err.Error(), c.fault) {
				t.Errorf("Nominal(%q, %v) = %v; want an error with %q", c.kind, c.layers, err, c.fault)
			}
			continue
		}
		if err != nil {
			t.Errorf("Nominal(%q, %v): %v", c.kind, c.layers, err)
			continue
		}
		if got := track.At(float64(c.layers[0]) - 1e-3).Radius; math.Abs(got-c.end) > 0.005 {
			t.Errorf("Nominal(%q, %v) ends at %.4f mm; want %.3f", c.kind, c.layers, got, c.end)
		}
		if got := track.Shape().Pitch * 1000; !near(got, c.pitch, 2e-4) {
			t.Errorf("Nominal(%q, %v) has a pitch of %.5f µm; want %v", c.kind, c.layers, got, c.pitch)
		}
	}
}
