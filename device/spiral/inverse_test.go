package spiral

import (
	"math"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
)

// Every sector is found again from its own turn, exactly, from the middle of its
// arc, and from the last turn before the next one's.
func TestSectorIsExact(t *testing.T) {
	for name, s := range shapes() {
		track := must(t, s)
		step := sector.LBA(max(1, track.Sectors()/200_000))
		for layer := range track.Layers() {
			r := track.Layer(layer)
			check := func(n sector.LBA) {
				from := track.At(float64(n)).Turn
				to := track.At(float64(n + 1)).Turn
				if n+1 == r.End { // the end of the layer, seen from the layer
					to = track.Turn(layer, 0)
					if track.legs[layer].dir > 0 {
						to = track.Turn(layer, 99)
					}
				}
				for _, turn := range []float64{from, (from + to) / 2, math.Nextafter(to, 0)} {
					if got, ok := track.Sector(layer, turn); got != n || !ok {
						t.Fatalf("%s: Sector(%d, %v) = %d, %v; want %d", name, layer, turn, got, ok, n)
					}
				}
			}
			for n := r.First; n < r.End; n += step {
				check(n)
			}
			check(r.End - 1)
		}
	}
}

func TestSectorOutside(t *testing.T) {
	track := must(t, shapes()["dvd-opposite"])
	inward := track.At(3_000_000).Turn
	for _, c := range []struct {
		layer int
		turn  float64
	}{{0, -0.1}, {0, inward}, {1, 0}, {1, 1e9}, {0, math.NaN()}, {2, 1}, {-1, 1}} {
		if got, ok := track.Sector(c.layer, c.turn); ok {
			t.Errorf("Sector(%d, %v) = %d, true; want none", c.layer, c.turn, got)
		}
	}
	if got, ok := track.Sector(1, inward); got != 3_000_000 || !ok {
		t.Errorf("Sector(1, %v) = %d, %v; want 3000000", inward, got, ok)
	}
}

// Positions, radii and points go there and back. A sector is 1e-8 of the track.
func TestThereAndBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for name, s := range shapes() {
		track := must(t, s)
		for range 2000 {
			want := rng.Float64() * float64(track.Sectors())
			p := track.At(want)
			if got := track.Position(p.Layer, p.Turn); math.Abs(got-want) > 1e-6 {
				t.Fatalf("%s: Position(%d, %v) = %v; want %v", name, p.Layer, p.Turn, got, want)
			}
			if got := track.Turn(p.Layer, p.Radius); math.Abs(got-p.Turn) > 1e-7 {
				t.Fatalf("%s: Turn(%d, %v) = %v; want %v", name, p.Layer, p.Radius, got, p.Turn)
			}
			x, y := p.XY()
			if got, ok := track.Near(p.Layer, x, y); !ok || math.Abs(got-want) > 1e-5 {
				t.Fatalf("%s: Near(%d, %v, %v) = %v, %v; want %v", name, p.Layer, x, y, got, ok, want)
			}
		}
	}
}

func TestNear(t *testing.T) {
	track := must(t, shapes()["dvd"])
	// A point between two turns belongs to the nearer.
	p := track.At(1_000_000.25)
	for _, c := range []struct{ off, want float64 }{{0.4, 0}, {-0.4, 0}, {0.6, 1}, {-0.6, -1}, {2.1, 2}} {
		q := p
		q.Radius += c.off * track.shape.Pitch
		x, y := q.XY()
		got, ok := track.Near(0, x, y)
		turns := track.At(got).Turn - p.Turn
		if !ok || math.Abs(turns-c.want) > 1e-6 {
			t.Errorf("Near(%v pitches off) lies %v turns off, %v; want %v", c.off, turns, ok, c.want)
		}
	}
	for _, xy := range [][2]float64{{0, 0}, {23.9, 0}, {0, -59}, {math.NaN(), 3}, {math.Inf(1), 0}} {
		if got, ok := track.Near(0, xy[0], xy[1]); ok {
			t.Errorf("Near(%v) = %v, true; want none", xy, got)
		}
	}
}

// Each set is held against a walk over all sectors of a small disc, which tests
// the arc of each sector against the region turn by turn.
func TestTouchingAgainstAWalk(t *testing.T) {
	wander := Wander{5e-6, 3, 0.2}
	for name, s := range map[string]Shape{
		"outwards": {Inner: 24, Pitch: 0.02, Sector: 5.157, Layers: []int64{9000}},
		"wander":   {Inner: 24, Pitch: 0.02, Sector: 5.157, Layers: []int64{9000}, Wander: wander},
		"opposite": {Inner: 24, Pitch: 0.02, Sector: 5.157, Layers: []int64{9000, 8000}, Opposite: true, Wander: wander},
		"parallel": {Inner: 24, Pitch: 0.02, Sector: 5.157, Layers: []int64{7000, 8000}},
		"long":     {Inner: 24, Pitch: 0.02, Sector: 400, Layers: []int64{100, 90}, Opposite: true}, // sectors of over two turns
	} {
		track := must(t, s)
		rng := rand.New(rand.NewPCG(5, 6))
		for i := range 60 {
			g := Region{Inner: 23 + rng.Float64()*9}
			g.Outer = g.Inner + rng.ExpFloat64()
			g.From = rng.Float64()*3 - 1
			g.To = g.From + rng.Float64()
			if i%3 == 0 {
				g.From, g.To = 0, 1
			}
			got := track.Touching(g)
			want := walk(track, g)
			if !got.Equal(&want) {
				t.Fatalf("%s: Touching(%+v) has %d sectors in %d runs; a walk finds %d in %d",
					name, g, got.Count(), got.Len(), want.Count(), want.Len())
			}
			if i%3 == 0 {
				if band := track.Band(g.Inner, g.Outer); !band.Equal(&want) {
					t.Fatalf("%s: Band(%v, %v) has %d sectors; a walk finds %d", name, g.Inner, g.Outer, band.Count(), want.Count())
				}
			}
		}
	}
}

// walk looks at each sector's arc. Where it passes in and out of the region
// follows from radius and angle at its ends and at the region's edges.
func walk(track *Track, g Region) sector.Set {
	var set sector.Set
	for layer := range track.Layers() {
		r := track.Layer(layer)
		for n := r.First; n < r.End; n++ {
			a := track.At(float64(n))
			b := track.At(float64(n) + 1 - 1e-9)
			low, high := min(a.Radius, b.Radius), max(a.Radius, b.Radius)
			if low >= g.Outer || high <= g.Inner {
				continue
			}
			// The part of the arc that lies between the radii.
			from, to := a.Turn, b.Turn
			at := func(radius float64) float64 {
				x, y := float64(n), float64(n)+1-1e-9 // the place by halving
				for range 60 {
					if m := (x + y) / 2; (track.At(m).Radius < radius) == (a.Radius < b.Radius) {
						x = m
					} else {
						y = m
					}
				}
				return track.At(x).Turn
			}
			for _, edge := range []float64{g.Inner, g.Outer} {
				if low < edge && edge < high {
					if turn := at(edge); (edge == g.Inner) == (a.Radius < b.Radius) {
						from = turn
					} else {
						to = turn
					}
				}
			}
			touches := false
			for m := math.Floor(from - g.To); m <= to-g.From; m++ {
				touches = touches || g.To-g.From >= 1 || max(from, m+g.From) < min(to, m+g.To)
			}
			if touches {
				set.Add(sector.Span(n, 1))
			}
		}
	}
	return set
}

func TestRegionsWithoutInside(t *testing.T) {
	track := must(t, shapes()["dvd"])
	nan := math.NaN()
	for _, g := range []Region{
		{}, {30, 30, 0, 1}, {31, 30, 0, 1}, {30, 31, 1, 1}, {30, 31, 1, 0}, {nan, 31, 0, 1}, {30, nan, 0, 1},
		{30, 31, nan, 1}, {30, 31, 0, nan}, {0, 23, 0, 1}, {59, 70, 0, 1}, {30, 31, math.Inf(-1), 0},
	} {
		if got := track.Touching(g); !got.Empty() {
			t.Errorf("Touching(%+v) = %v; want none", g, got.Bounds())
		}
	}
	whole := track.Band(0, math.Inf(1))
	if got := whole.Bounds(); got != track.Layer(0) || whole.Len() != 1 {
		t.Errorf("Band(0, +Inf) = %v in %d runs; want all of %v", got, whole.Len(), track.Layer(0))
	}
}

// A radial scratch is the same few sectors of every turn: on a DVD about every
// 29th at the inside and every 71st at the outside.
func TestRadialStripe(t *testing.T) {
	track := must(t, shapes()["dvd"])
	for radius, want := range map[float64]float64{24: 29.24, 40: 48.73, 57.9: 70.54} {
		set := track.Touching(Region{radius, radius + 0.074, 0.25, 0.2501})
		var firsts []float64
		for r := range set.Runs() {
			firsts = append(firsts, float64(r.First))
		}
		if len(firsts) < 99 || len(firsts) > 101 {
			t.Fatalf("a stripe over 100 turns at %v mm touches %d runs; want one a turn", radius, len(firsts))
		}
		got := (firsts[len(firsts)-1] - firsts[0]) / float64(len(firsts)-1)
		if math.Abs(got-want) > 0.1 {
			t.Errorf("at %v mm a stripe comes back every %.2f sectors; want %.2f", radius, got, want)
		}
	}
}

func BenchmarkSector(b *testing.B) {
	for _, name := range []string{"dvd", "dvd-wander"} {
		track := must(b, shapes()[name])
		b.Run(name, func(b *testing.B) {
			sum, turns := sector.LBA(0), track.At(2_290_000).Turn/1024
			for i := range b.N {
				n, _ := track.Sector(0, float64(i%1024)*turns)
				sum += n
			}
			if sum < 0 {
				b.Fatal(sum)
			}
		})
	}
}

func BenchmarkBand(b *testing.B) {
	track := must(b, shapes()["dvd-opposite"])
	for b.Loop() {
		set := track.Band(30, 40)
		if set.Empty() {
			b.Fatal("empty band")
		}
	}
}
