package sim

import (
	"math"
	"slices"
	"testing"
)

func TestWear(t *testing.T) {
	const wear = `"wear": [{"count": 4000, "seed": 7, "region_mm": [24, 48], "length_mm": {"min": 5, "mean": 20},
		"width_mm": {"median": 0.12, "sigma": 0.5}, "depth_um": {"median": 20, "sigma": 0.6}}]`
	s := parsed(t, disc0, disc0+", "+wear)
	if len(s.marks) != 4000 {
		t.Fatalf("%d scratches; want 4000", len(s.marks))
	}
	var widths, depths []float64
	var lengths, outer float64
	for _, m := range s.marks {
		widths, depths = append(widths, m.width), append(depths, m.depth)
		long := 0.0
		for _, p := range m.pieces {
			long += math.Hypot(p.dx, p.dy)
		}
		if long < 5-1e-9 {
			t.Errorf("a scratch of %v mm; want 5 at least", long)
		}
		lengths += long
		middle := m.pieces[3]
		r := math.Hypot(middle.x, middle.y)
		if r < 24-1e-9 || r > 48+1e-9 {
			t.Errorf("a scratch whose middle is at %v mm; want it in the region", r)
		}
		if r > math.Sqrt((24*24+48*48)/2) {
			outer++
		}
	}
	slices.Sort(widths)
	slices.Sort(depths)
	// Medians of 4,000 numbers of sigma 0.5 are right to 1 %, so are quantiles.
	for _, test := range []struct {
		name      string
		got, want float64
	}{
		{"median width", widths[2000], 0.12},
		{"width one sigma up", widths[3365], 0.12 * math.Exp(0.5)},
		{"median depth", depths[2000], 20},
		{"depth one sigma down", depths[635], 20 * math.Exp(-0.6)},
		{"mean length", lengths / 4000, 20},
		{"share in the outer half of the area", outer / 4000, 0.5},
	} {
		if math.Abs(test.got/test.want-1) > 0.05 {
			t.Errorf("%s = %v; want %v", test.name, test.got, test.want)
		}
	}
	if again := parsed(t, disc0, disc0+", "+wear); !slices.EqualFunc(s.marks, again.marks, func(a, b mark) bool {
		return a.width == b.width && slices.Equal(a.pieces, b.pieces)
	}) {
		t.Errorf("the same wear twice gives two discs; want one")
	}
}
