package spiral

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"turnstone/device/sector"
)

// shapes are discs of all kinds; the wander and the true values are invented.
func shapes() map[string]Shape {
	off := DVD(1).Shape(false, 2_298_496)
	off.Pitch, off.Inner, off.Sector = 0.000739, 23.95, 38_688*132.9e-6
	wander := off
	wander.Wander = SeededWander(1e-6, 5, 7)
	otp := DVD(2).Shape(true, 2_085_472, 1_900_000)
	wanderOTP := otp
	wanderOTP.Wander = Wander{2e-6, 8, 0.3}
	return map[string]Shape{
		"dvd":             DVD(1).Shape(false, 2_295_104),
		"dvd-off":         off,
		"dvd-wander":      wander,
		"dvd-opposite":    otp,
		"dvd-opp-wander":  wanderOTP,
		"dvd-parallel":    DVD(2).Shape(false, 2_000_000, 1_234_567),
		"cd-slow":         CD(CDSlowest).Shape(false, 333_000),
		"cd-fast":         CD(CDFastest).Shape(false, 280_000),
		"bd":              BD(1).Shape(false, 12_219_000),
		"bd-four":         BD(4).Shape(true, 15_000_000, 15_000_000, 14_999_999, 14_999_998),
		"one sector":      DVD(1).Shape(false, 1),
		"one sector each": DVD(2).Shape(true, 1, 1),
	}
}

func must(t testing.TB, s Shape) *Track {
	t.Helper()
	track, err := New(s)
	if err != nil {
		t.Fatalf("New(%+v): %v", s, err)
	}
	return track
}

// The formulas of the package doc, written down once more without any of the
// package's parts.
func TestAtIsTheFormula(t *testing.T) {
	const r0, p, L = 23.95, 0.000741, 38_688 * 145.9e-6
	const first, second = 2_000_000, 1_800_000
	for _, opposite := range []bool{false, true} {
		track := must(t, Shape{Inner: r0, Pitch: p, Sector: L, Layers: []int64{first, second}, Opposite: opposite})
		end := math.Sqrt(r0*r0 + first*L*p/math.Pi)
		for n := 0.0; n < first+second; n += 1234.56 {
			layer, k := 0, n
			r := math.Sqrt(r0*r0 + k*L*p/math.Pi)
			turn := (r - r0) / p
			if n >= first {
				layer, k = 1, n-first
				r = math.Sqrt(r0*r0 + k*L*p/math.Pi)
				turn = (r - r0) / p
				if opposite {
					r = math.Sqrt(end*end - k*L*p/math.Pi)
					turn = (end-r0)/p + (end-r)/p
				}
			}
			got := track.At(n)
			if got.Layer != layer || math.Abs(got.Radius-r) > 1e-12 || math.Abs(got.Turn-turn) > 1e-8 {
				t.Fatalf("At(%v) = %+v; want layer %d, %v mm, turn %v (opposite: %v)", n, got, layer, r, turn, opposite)
			}
			x, y := got.XY()
			wx, wy := r*math.Cos(2*math.Pi*turn), r*math.Sin(2*math.Pi*turn)
			if math.Hypot(x-wx, y-wy) > 1e-5 { // the reference's own angle of 1e5 radians is worth no more
				t.Fatalf("At(%v).XY() = %v, %v; want %v, %v", n, x, y, wx, wy)
			}
		}
	}
}

// A spiral drawn turn by turn: Runge and Kutta's fourth-order steps through
// dr/dt = ±pitch and dk/dt = (length of a turn)/L, with the wander as a sine of
// the even spiral's radius. It shares no formula with the closed forms. The
// length of a turn includes the outward way, which the closed forms leave out.
func TestAgainstADrawnSpiral(t *testing.T) {
	for _, name := range []string{"dvd-off", "dvd-wander", "dvd-opp-wander", "cd-slow"} {
		s := shapes()[name]
		track := must(t, s)
		const h = 0.25
		r, turn, dir, first := s.Inner, 0.0, 1.0, 0.0
		for layer, count := range s.Layers {
			start, t0, k := r, turn, 0.0
			pitch := func(t float64) float64 {
				even := start + dir*s.Pitch*(t-t0)
				if s.Wander.Amplitude == 0 {
					return s.Pitch
				}
				return s.Pitch + s.Wander.Amplitude*math.Sin(2*math.Pi*((even-s.Inner)/s.Wander.Length+s.Wander.Phase))
			}
			length := func(t, r float64) float64 { return math.Hypot(2*math.Pi*r, pitch(t)) / s.Sector }
			for i := 0; ; i++ {
				if i%4000 == 0 {
					got := track.At(first + k)
					if got.Layer != layer || math.Abs(got.Radius-r) > 1e-7 || math.Abs(got.Turn-turn) > 1e-4 {
						t.Fatalf("%s: At(%v) = %+v; want layer %d, %v mm, turn %v", name, first+k, got, layer, r, turn)
					}
				}
				p1, p2, p3 := pitch(turn), pitch(turn+h/2), pitch(turn+h)
				dk := h / 6 * (length(turn, r) + 4*length(turn+h/2, r+dir*h/2*(p1+p2)/2) + length(turn+h, r+dir*h*p2))
				if k+dk > float64(count) {
					break
				}
				k += dk
				r += dir * h / 6 * (p1 + 4*p2 + p3)
				turn += h
			}
			// The last part of a step, in a straight line.
			rest := (float64(count) - k) / length(turn, r)
			r += dir * rest * pitch(turn)
			turn += rest
			first += float64(count)
			if s.Opposite {
				dir = -dir
			}
		}
	}
}

// What the wander is there for: sectors lie up to a turn away from where the even
// spiral has them. With phase 0 the track lies a·λ/(2πp) = 1.077 µm further out on
// average, so that a sector comes earlier by that, times turns over radius.
func TestWanderMatters(t *testing.T) {
	s := shapes()["dvd-off"]
	even := must(t, s)
	s.Wander = Wander{1e-6, 5, 0}
	const n = 2_298_000
	p := even.At(n)
	got, want := must(t, s).At(n).Turn-p.Turn, -0.001077*p.Turn/p.Radius
	if math.Abs(got-want) > 0.05 {
		t.Errorf("the wander moves sector %d by %.3f turns; want %.3f", n, got, want)
	}
	if w, v := SeededWander(1, 2, 7), SeededWander(1, 2, 8); w == v || w != SeededWander(1, 2, 7) || w.Phase < 0 || w.Phase >= 1 {
		t.Errorf("SeededWander gives %+v and %+v; want phases that differ, are repeatable and from 0 to 1", w, v)
	}
}

func TestLayers(t *testing.T) {
	opposite := must(t, shapes()["dvd-opposite"])
	last, next := opposite.At(2_085_472-1e-6), opposite.At(2_085_472)
	if math.Abs(last.Radius-next.Radius) > 1e-6 || math.Abs(last.Turn-next.Turn) > 1e-6 || last.Layer != 0 || next.Layer != 1 {
		t.Errorf("opposite path: layer 0 ends at %+v, layer 1 begins at %+v; want the same place", last, next)
	}
	if got := opposite.At(2_085_472 + 1000); got.Radius >= next.Radius || got.Turn <= next.Turn {
		t.Errorf("opposite path: layer 1 goes from %+v to %+v; want inwards, turning on", next, got)
	}
	// A full second layer comes back to where the first began.
	full := must(t, DVD(2).Shape(true, 2_085_472, 2_085_472))
	if got := full.At(4_170_944); math.Abs(got.Radius-24) > 1e-9 {
		t.Errorf("opposite path: a full layer 1 ends at %v mm; want 24", got.Radius)
	}
	parallel := must(t, shapes()["dvd-parallel"])
	if got := parallel.At(2_000_000); got != (Place{1, 24, 0}) {
		t.Errorf("parallel path: layer 1 begins at %+v; want 24 mm, turn 0", got)
	}
	if got, want := parallel.Layer(1), (sector.Range{First: 2_000_000, End: 3_234_567}); got != want {
		t.Errorf("Layer(1) = %v; want %v", got, want)
	}
	if got := parallel.Layer(2); !got.Empty() {
		t.Errorf("Layer(2) of two = %v; want none", got)
	}
	if parallel.Layers() != 2 || parallel.Sectors() != 3_234_567 {
		t.Errorf("Layers, Sectors = %d, %d; want 2, 3234567", parallel.Layers(), parallel.Sectors())
	}
}

func TestEndsOfTheTrack(t *testing.T) {
	for name, s := range shapes() {
		track := must(t, s)
		n := float64(track.Sectors())
		first, last := track.At(0), track.At(n)
		if first != (Place{0, s.Inner, 0}) {
			t.Errorf("%s: At(0) = %+v; want %v mm, turn 0", name, first, s.Inner)
		}
		for x, want := range map[float64]Place{
			-1: first, math.Inf(-1): first, math.NaN(): first, n + 1: last, math.Inf(1): last, math.MaxFloat64: last,
		} {
			if got := track.At(x); got != want {
				t.Errorf("%s: At(%v) = %+v; want the end of the track, %+v", name, x, got, want)
			}
		}
	}
}

func TestRefused(t *testing.T) {
	good := DVD(1).Shape(false, 1600)
	for _, c := range []struct {
		change func(s *Shape)
		fault  string
	}{
		{func(s *Shape) { s.Inner = 0 }, "inner radius"},
		{func(s *Shape) { s.Inner = math.NaN() }, "inner radius"},
		{func(s *Shape) { s.Inner = 61 }, "inner radius"},
		{func(s *Shape) { s.Pitch = -0.00074 }, "pitch"},
		{func(s *Shape) { s.Pitch = 0.74 }, "pitch"}, // µm taken for mm
		{func(s *Shape) { s.Pitch = math.Inf(1) }, "pitch"},
		{func(s *Shape) { s.Sector = 0 }, "sector length"},
		{func(s *Shape) { s.Layers = nil }, "1 to 4 layers"},
		{func(s *Shape) { s.Layers = make([]int64, 5) }, "1 to 4 layers"},
		{func(s *Shape) { s.Layers = []int64{-1} }, "layer 0 of -1 sectors"},
		{func(s *Shape) { s.Layers = []int64{16, 0} }, "layer 1 of 0 sectors"},
		{func(s *Shape) { s.Layers = []int64{1 << 60} }, "leaves the disc"},
		{func(s *Shape) { s.Layers = []int64{math.MaxInt64, math.MaxInt64} }, "leaves the disc"},
		{func(s *Shape) { s.Layers = []int64{2_700_000} }, "outside the disc"},
		{func(s *Shape) { s.Layers, s.Opposite = []int64{16, 32}, true }, "runs inwards"},
		{func(s *Shape) { s.Wander = Wander{Amplitude: -1e-6, Length: 5} }, "amplitude"},
		{func(s *Shape) { s.Wander = Wander{Amplitude: 1e-3, Length: 5} }, "amplitude"},
		{func(s *Shape) { s.Wander = Wander{Amplitude: 1e-6} }, "length of the wander"},
		{func(s *Shape) { s.Wander = Wander{Amplitude: 1e-6, Length: math.NaN()} }, "length of the wander"},
		{func(s *Shape) { s.Wander = Wander{Amplitude: 1e-6, Length: 5, Phase: 1e9} }, "phase of the wander"},
	} {
		s := good
		c.change(&s)
		if _, err := New(s); err == nil || !strings.Contains(err.Error(), c.fault) {
			t.Errorf("New(%+v) = %v; want an error with %q", s, err, c.fault)
		}
	}
	if _, err := New(good); err != nil {
		t.Errorf("New(%+v) = %v; want none", good, err)
	}
}

// The caller's slice is not the track's.
func TestShapeIsACopy(t *testing.T) {
	layers := []int64{1600}
	track := must(t, DVD(1).Shape(false, layers...))
	layers[0] = 3
	track.Shape().Layers[0] = 4
	if got := track.Shape().Layers[0]; got != 1600 {
		t.Errorf("Shape().Layers = %d after changes to copies; want 1600", got)
	}
}

func FuzzTrack(f *testing.F) {
	f.Add(24.0, 0.00074, 5.157, int64(2_295_104), int64(1600), true, 1e-6, 5.0, 0.5, 40.0, 0.3)
	f.Add(25.0, 0.0016, 16.0, int64(333_000), int64(0), false, 0.0, 0.0, 0.0, 25.0, -7.1)
	f.Add(7.5, 0.1, 0.1, int64(1), int64(1), true, 0.01, 1.0, 1.0, math.Inf(1), math.NaN())
	f.Fuzz(func(t *testing.T, inner, pitch, length float64, a, b int64, opposite bool, amp, lambda, phase, x, y float64) {
		s := Shape{Inner: inner, Pitch: pitch, Sector: length, Layers: []int64{a}, Opposite: opposite,
			Wander: Wander{amp, lambda, phase}}
		if b != 0 {
			s.Layers = append(s.Layers, b)
		}
		track, err := New(s)
		if err != nil {
			return
		}
		n := track.Sectors()
		for _, position := range []float64{0, x, y, float64(a) - 0.5, float64(a), float64(n) * 0.7, float64(n)} {
			p := track.At(position)
			if !(p.Radius > 0 && p.Radius < edge+1 && p.Turn >= 0) || p.Layer < 0 || p.Layer >= track.Layers() {
				t.Fatalf("At(%v) = %+v on %+v; want a place of the disc", position, p, s)
			}
			if at, ok := track.Sector(p.Layer, p.Turn); ok && !track.Layer(p.Layer).Contains(at) {
				t.Fatalf("Sector(%d, %v) = %d, not in layer %v", p.Layer, p.Turn, at, track.Layer(p.Layer))
			}
		}
		for layer := -1; layer < 3; layer++ {
			if p, ok := track.Near(layer, x, y); ok && !(p >= 0 && p <= float64(n)) {
				t.Fatalf("Near(%d, %v, %v) = %v of %d sectors", layer, x, y, p, n)
			}
			if p := track.Position(layer, x); !(p >= 0 && p <= float64(n)) {
				t.Fatalf("Position(%d, %v) = %v of %d sectors", layer, x, p, n)
			}
			if turn := track.Turn(layer, x); !(turn >= 0) && !math.IsNaN(x) {
				t.Fatalf("Turn(%d, %v) = %v", layer, x, turn)
			}
		}
		band := track.Band(x, y)
		part := track.Touching(Region{x, y, y, x})
		if b := band.Bounds(); b.First < 0 || int64(b.End) > n || part.Count() > n {
			t.Fatalf("Band(%v, %v) = %v of %d sectors", x, y, b, n)
		}
	})
}

func BenchmarkAt(b *testing.B) {
	for _, name := range []string{"dvd", "dvd-opposite", "dvd-wander"} {
		track := must(b, shapes()[name])
		b.Run(name, func(b *testing.B) {
			sum, n := 0.0, float64(track.Sectors())
			rng := rand.New(rand.NewPCG(1, 2))
			at := make([]float64, 1024)
			for i := range at {
				at[i] = rng.Float64() * n
			}
			b.ResetTimer()
			for i := range b.N {
				sum += track.At(at[i%1024]).Turn
			}
			if math.IsNaN(sum) {
				b.Fatal(fmt.Sprint(sum))
			}
		})
	}
}
