package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// at is a place by radius and angle in turns.
func at(r, angle float64) spot {
	sin, cos := math.Sincos(2 * math.Pi * angle)
	return spot{x: r * cos, y: r * sin, r: r, angle: angle}
}

// randomMarks is JSON of some marks of every kind, scattered over the disc.
func randomMarks(r *rand.Rand, n int) string {
	var all []string
	point := func() string { return fmt.Sprintf("[%.3f, %.3f]", r.Float64()*80-40, r.Float64()*80-40) }
	for range n {
		width, depth := 0.01+r.Float64(), r.Float64()*80
		switch r.IntN(4) {
		case 0, 1:
			points := []string{point()}
			for range 1 + r.IntN(6) {
				points = append(points, point())
			}
			all = append(all, fmt.Sprintf(`{"scratch": {"points_mm": [%s], "width_mm": %.3f, "depth_um": %.2f}}`,
				strings.Join(points, ","), width, depth))
		case 2:
			from := r.Float64()*700 - 300
			all = append(all, fmt.Sprintf(`{"arc": {"r_mm": %.3f, "from_deg": %.3f, "to_deg": %.3f, "width_mm": %.3f, "depth_um": %.2f}}`,
				2+r.Float64()*57, from, from+0.1+r.Float64()*359, width, depth))
		case 3:
			all = append(all, fmt.Sprintf(`{"blot": {"at_mm": %s, "radius_mm": %.3f, "pit_um": %.2f}}`, point(), width*3, depth))
		}
	}
	return strings.Join(all, ",\n")
}

// slowPasses is passes without an index: each mark by its own, its distance the
// least that steps along its pieces come to.
func slowPasses(s *Scenario, p spot, beam, off float64) float64 {
	t := 1.0
	for _, m := range s.marks {
		nearest := math.Inf(1)
		for _, piece := range m.pieces {
			far := func(f float64) float64 {
				f = min(max(0, f), 1)
				x, y := piece.x+f*piece.dx, piece.y+f*piece.dy
				if piece.r > 0 {
					q := at(piece.r, piece.from+f*piece.span)
					x, y = q.x, q.y
				}
				return math.Hypot(p.x-x, p.y-y)
			}
			const steps = 100
			best := 0.0
			for i := range steps + 1 {
				if f := float64(i) / steps; far(f) < far(best) {
					best = f
				}
			}
			low, high := best-1.0/steps, best+1.0/steps
			for range 40 {
				if a, b := low+(high-low)/3, high-(high-low)/3; far(a) < far(b) {
					high = b
				} else {
					low = a
				}
			}
			nearest = min(nearest, far(low))
		}
		opacity := 1 - math.Exp(-(m.depth-off)/12)
		if m.blot {
			opacity = 1
		}
		if off > 0 && off >= m.depth {
			opacity = 0
		}
		var covered float64
		if m.blot {
			covered = lens(nearest, beam, m.width/2)
		} else {
			covered = cover((nearest+m.width/2)/beam) - cover((nearest-m.width/2)/beam)
		}
		t *= 1 - opacity*covered
	}
	return t
}

func TestIndexedMarksAreAllMarks(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	s := parsed(t, marked(randomMarks(r, 25))...)
	const beam = 0.25
	f, err := newSurface(s, beam)
	if err != nil {
		t.Fatal(err)
	}
	dimmed := 0
	for i := range 600 {
		p := at(60*math.Sqrt(r.Float64()), r.Float64())
		if i%2 == 0 { // near a mark's piece
			m := s.marks[r.IntN(len(s.marks))]
			q := m.pieces[r.IntN(len(m.pieces))]
			u := r.Float64()
			x, y := q.x+u*q.dx, q.y+u*q.dy
			if q.r > 0 {
				p := at(q.r, q.from+u*q.span)
				x, y = p.x, p.y
			}
			x, y = x+r.NormFloat64()*m.width/2, y+r.NormFloat64()*m.width/2
			angle := math.Atan2(y, x) / (2 * math.Pi)
			p = at(math.Hypot(x, y), angle-math.Floor(angle))
		}
		off := float64(r.IntN(3)) * 10
		got, want := f.passes(&p, beam, off), slowPasses(s, p, beam, off)
		if math.Abs(got-want) > 1e-6 {
			t.Errorf("passes(%.3f, %.3f; %v µm off) = %v; want %v", p.x, p.y, off, got, want)
		}
		if want < 0.9 {
			dimmed++
		}
	}
	if dimmed < 200 {
		t.Errorf("%d places are dimmed; want more to compare", dimmed)
	}
}

func TestLightOfOneMark(t *testing.T) {
	const beam = 0.25
	deep := 1 - math.Exp(-30.0/12)
	for _, test := range []struct {
		name  string
		marks string
		at    spot
		off   float64
		want  float64
	}{
		{"on a wide scratch", `{"scratch": {"points_mm": [[20, 0], [40, 0]], "width_mm": 2, "depth_um": 30}}`, at(30, 0), 0, 1 - deep},
		{"on its edge", `{"scratch": {"points_mm": [[20, 1], [40, 1]], "width_mm": 2, "depth_um": 30}}`, at(30, 0), 0, 1 - deep/2},
		{"beside it", `{"scratch": {"points_mm": [[20, 1.251], [40, 1.251]], "width_mm": 2, "depth_um": 30}}`, at(30, 0), 0, 1},
		{"half of it off", `{"scratch": {"points_mm": [[20, 0], [40, 0]], "width_mm": 2, "depth_um": 30}}`, at(30, 0), 15, math.Exp(-15.0 / 12)},
		{"all of it off", `{"scratch": {"points_mm": [[20, 0], [40, 0]], "width_mm": 2, "depth_um": 30}}`, at(30, 0), 30, 1},
		{"where its pieces meet", `{"scratch": {"points_mm": [[20, 0], [30, 0], [40, 0]], "width_mm": 2, "depth_um": 30}}`, at(30, 0), 0, 1 - deep},
		{"where two cross", `{"scratch": {"points_mm": [[20, 0], [40, 0]], "width_mm": 2, "depth_um": 30}},
			{"scratch": {"points_mm": [[30, -5], [30, 5]], "width_mm": 2, "depth_um": 30}}`, at(30, 0), 0, (1 - deep) * (1 - deep)},
		{"on an arc", `{"arc": {"r_mm": 30, "from_deg": 350, "to_deg": 370, "width_mm": 2, "depth_um": 30}}`, at(30, 0.02), 0, 1 - deep},
		{"behind its end", `{"arc": {"r_mm": 30, "from_deg": 350, "to_deg": 370, "width_mm": 2, "depth_um": 30}}`, at(30, 0.5), 0, 1},
		{"on a ring", `{"arc": {"r_mm": 30, "from_deg": 90, "to_deg": 450, "width_mm": 2, "depth_um": 30}}`, at(30, 0.2), 0, 1 - deep},
		{"on a blot", `{"blot": {"at_mm": [30, 0], "radius_mm": 1, "pit_um": 20}}`, at(30, 0), 19, 0},
		{"its pit off", `{"blot": {"at_mm": [30, 0], "radius_mm": 1, "pit_um": 20}}`, at(30, 0), 20, 1},
		{"a scratch of no depth", `{"scratch": {"points_mm": [[20, 0], [40, 0]], "width_mm": 2, "depth_um": 0}}`, at(30, 0), 0, 1},
	} {
		f, err := newSurface(parsed(t, marked(test.marks)...), beam)
		if err != nil {
			t.Fatal(err)
		}
		if got := f.passes(&test.at, beam, test.off); !near(got, test.want, 1e-9) {
			t.Errorf("%s: light = %v; want %v", test.name, got, test.want)
		}
	}
}

func TestHaze(t *testing.T) {
	f := &surface{hazes: []haze{
		{inner: 30, outer: 40, span: 1, density: 0.5, edge: 2},
		{inner: 35, outer: 45, from: 0.9, span: 0.2, density: 0.25},
	}}
	for _, test := range []struct {
		at   spot
		want float64
	}{
		{at(29.9, 0.5), 0}, {at(30, 0.5), 0}, {at(31, 0.5), 0.25}, {at(32, 0.5), 0.5}, {at(35, 0.5), 0.5},
		{at(39.5, 0.5), 0.125}, {at(40.1, 0.5), 0}, {at(35, 0.95), 0.75}, {at(35, 0.05), 0.75}, {at(35, 0.15), 0.5},
		{at(45, 0), 0.25}, {at(45.1, 0), 0},
	} {
		if got := f.haze(test.at); !near(got, test.want, 1e-12) {
			t.Errorf("haze at %v mm, %v turns = %v; want %v", test.at.r, test.at.angle, got, test.want)
		}
	}
}
