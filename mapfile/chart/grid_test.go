package chart

import (
	"math"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/device/spiral"
	"turnstone/mapfile"
)

// Hand computation from the geometry of ECMA-267 (pitch 0.74 µm, 133.3 nm, 38,688
// channel bits a sector): sector 0 at 24 mm, the last of a disc of 2,295,104 at
// 58 mm; 29.24 sectors a turn at 24 mm, 70.66 at 58 mm; on two layers with opposite
// track path both ends of the break at one radius.
func TestWhereSectorsLie(t *testing.T) {
	const full = 2295104
	one := Layers(track(t, full), 0)[0]
	if in, out := one.radii(); math.Abs(in-24) > 1e-6 || math.Abs(out-58) > 0.001 {
		t.Errorf("radii() = %v, %v; want 24, 58", in, out)
	}
	for _, c := range []struct {
		first  sector.LBA
		radius float64
		turns  float64 // of one block
	}{{0, 24, 16 / 29.24}, {full - 16, 58, 16 / 70.66}} {
		s := standing{classes: []class{{kind: failed}}, sets: []sector.Set{sector.Of(sector.Span(c.first, 16))}}
		g := s.reduce(one)
		var n, cells float64
		for b := range g.bands {
			for _, v := range g.at(b, 0) {
				n += v
				if v > 0 {
					cells++
					if low, high := g.radii[b][0], g.radii[b][1]; c.radius < low-0.01 || c.radius > high+0.01 {
						t.Errorf("block at %v lies between %v and %v mm; want %v", c.first, low, high, c.radius)
					}
				}
			}
		}
		if math.Abs(n-16) > 1e-6 {
			t.Errorf("block at %v has %v sectors in the grid; want 16", c.first, n)
		}
		if want := c.turns * mostCells; math.Abs(cells-want) > 2 {
			t.Errorf("block at %v lies in %v cells; want %.1f", c.first, cells, want)
		}
	}
	const half = 2080000
	two := Layers(track(t, half, half), 0)
	s := standing{classes: []class{{}}, sets: []sector.Set{sector.Of(sector.Span(half-8, 16))}}
	for i, l := range two {
		g := s.reduce(l)
		_, out := l.radii()
		var n float64
		for _, v := range g.at(g.bands-1, 0) {
			n += v
		}
		if math.Abs(n-8) > 1e-6 || g.radii[g.bands-1][1] != out {
			t.Errorf("layer %d has %v sectors at its outer edge; want 8", i, n)
		}
	}
}

// Each cell against a walk: every sector's arc cut into 64 pieces, each of which
// falls into one cell. A piece that an edge cuts may be counted to its neighbour.
func TestReduceAgainstAWalk(t *testing.T) {
	for name, shape := range map[string]spiral.Shape{
		"outwards": {Inner: 24, Pitch: 0.02, Sector: 5.157, Layers: []int64{9000}},
		"opposite": {Inner: 24, Pitch: 0.02, Sector: 5.157, Layers: []int64{9000, 7000}, Opposite: true},
		"parallel": {Inner: 24, Pitch: 0.02, Sector: 5.157, Layers: []int64{5000, 9000}},
		"wander":   {Inner: 24, Pitch: 0.02, Sector: 5.157, Layers: []int64{9000}, Wander: spiral.Wander{Amplitude: 1e-3, Length: 3, Phase: 0.2}},
		"long":     {Inner: 24, Pitch: 0.02, Sector: 300, Layers: []int64{150}},
	} {
		track, err := spiral.New(shape)
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(7, 8))
		for _, l := range Layers(track, 0) {
			l.Turn = rng.Float64()
			r := track.Layer(l.Index)
			s := standing{classes: []class{{}, {}}, sets: make([]sector.Set, 2)}
			for a := r.First; a < r.End; {
				n := min(1+rng.Int64N(1+int64(400*5/shape.Sector)), int64(r.End-a))
				if c := rng.IntN(3); c < 2 {
					s.sets[c].Add(sector.Span(a, n))
				}
				a += sector.LBA(n)
			}
			g := s.reduce(l)
			want := make([]float64, len(g.sectors))
			const pieces = 64
			for c := range s.sets {
				for run := range s.sets[c].Runs() {
					for a := run.First; a < run.End; a++ {
						for k := range pieces {
							p := track.At(float64(a) + (float64(k)+0.5)/pieces)
							b := min(max(0, int((p.Radius-g.inner)/g.step)), g.bands-1)
							j := int(fraction(p.Turn+l.Turn) * float64(g.angles))
							want[(b*g.classes+c)*g.angles+j] += 1.0 / pieces
						}
					}
				}
			}
			// Within a band the density is taken to be even: 1 % of a band's sectors
			// in a cell, and a piece for each turn that passes the cell's edges.
			turns := g.step / shape.Pitch
			for i := range want {
				if allowed := 0.02*want[i] + 2*turns/pieces; math.Abs(g.sectors[i]-want[i]) > allowed {
					t.Fatalf("%s, layer %d: cell %d has %v sectors; a walk finds %v ± %v", name, l.Index, i, g.sectors[i], want[i], allowed)
				}
			}
			var sum float64
			for _, v := range g.sectors {
				sum += v
			}
			if n := float64(s.sets[0].Count() + s.sets[1].Count()); math.Abs(sum-n) > 1e-3 {
				t.Errorf("%s, layer %d: the grid has %v sectors; want %v", name, l.Index, sum, n)
			}
		}
	}
}

// Where angles are not known a grid has one cell a turn, and as many as the doubt
// allows between.
func TestAnglesFor(t *testing.T) {
	for _, c := range []struct {
		doubt float64
		want  int
	}{{0, 240}, {0.001, 240}, {1.0 / 72, 36}, {0.0625, 8}, {0.07, 1}, {NoAngles, 1}, {7, 1}, {math.Inf(1), 1}} {
		if got := anglesFor(c.doubt); got != c.want {
			t.Errorf("anglesFor(%v) = %d; want %d", c.doubt, got, c.want)
		}
	}
}

// Bins count every sector of the written area once, whatever the shape.
func TestBinsCountEachSectorOnce(t *testing.T) {
	const half = 300000
	m := rough(t, 2*half, 700)
	for name, d := range map[string]Disc{
		"two layers": {Layers: Layers(track(t, half, half), 0)},
		"calibrated": {Layers: Layers(calibrated(t, half, half), 0.01)},
		"unknown":    {},
	} {
		p := picture(t, m, d, View{Round: Latest, Layer: AllLayers})
		total := p.total()
		for s, want := range map[string]int64{
			"good": m.Count(mapfile.Good), "bad": m.Count(mapfile.Bad), "untried": m.Count(mapfile.Untried),
		} {
			var got int64
			for c, n := range total.Sectors {
				if p.classes[c].kind.state() == s {
					got += n
				}
			}
			if got != want {
				t.Errorf("%s: %d sectors are %s; want %d", name, got, s, want)
			}
		}
		var won int64
		for _, s := range p.passes {
			var seconds float64
			for i := range s.wonIn {
				won += s.wonIn[i]
				seconds += s.secondsIn[i]
			}
			if math.Abs(seconds-s.seconds) > 1e-6 {
				t.Errorf("%s: pass %d spent %v s by bin; want %v", name, s.number, seconds, s.seconds)
			}
		}
		if want := m.Count(mapfile.Good); won != want {
			t.Errorf("%s: passes won %d sectors by bin; want %d", name, won, want)
		}
	}
}

// calibrated is a track whose pitch and inner radius are not the nominal ones.
func calibrated(tb testing.TB, layers ...int64) *spiral.Track {
	tb.Helper()
	s := spiral.DVD(len(layers)).Shape(true, layers...)
	s.Inner, s.Pitch = 23.953, s.Pitch*1.004
	t, err := spiral.New(s)
	if err != nil {
		tb.Fatal(err)
	}
	return t
}
