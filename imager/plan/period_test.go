package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/device/spiral"
)

// marked is an order whose drive saw a part of a disc with marks: the disc's
// true shape differs from the nominal one, and each ring of 700 turns has a mark
// at some angle that no block passes over and comes.
func marked(t *testing.T, r *rand.Rand, shape spiral.Shape, sectors int64, share float64, random bool) (*byPlace, *spiral.Track) {
	t.Helper()
	task := Task{Disc: Disc{Kind: "dvd", Block: 16, Largest: 256, WholeBlocks: true, Written: sector.Of(sector.Span(0, sectors))}}
	w := workOf(task)
	s := newByPlace(&task, &w, legsOf(&w.disc))
	shape.Layers = []int64{sectors}
	track, err := spiral.New(shape)
	if err != nil {
		t.Fatal(err)
	}
	angles := make([]float64, 100)
	for i := range angles {
		angles[i] = r.Float64()
	}
	ring := 0
	for b := range sectors / 16 {
		ring = s.field.ringFrom(ring, b)
		from, to := track.At(float64(b*16)).Turn, track.At(float64(b*16+16)).Turn
		group := int(from / 700)
		if group%3 != 0 || r.Float64() > share {
			continue
		}
		mark := math.Floor(from) + angles[group]
		if mark < from {
			mark++
		}
		bad := mark < to
		if random {
			bad = r.IntN(3) == 0
		}
		s.see(ring, b, bad, false)
	}
	return s, track
}

// TestPeriod: from discs anywhere within the tolerances of ECMA-267 and ECMA-359
// the marks give the turns of a block so well that across a mark the angle is
// right within a seventh of a turn.
func TestPeriod(t *testing.T) {
	for i, x := range []struct{ inner, pitch, bit float64 }{
		{24.0, .74, 133.3}, {23.95, .739, 132.9}, {23.82, .7475, 134.4}, {23.8, .73, 131.9}, {24.0, .75, 134.7},
	} {
		t.Run(fmt.Sprintf("%+v", x), func(t *testing.T) {
			r := rand.New(rand.NewPCG(uint64(i), 7))
			shape := spiral.Shape{Inner: x.inner, Pitch: x.pitch / 1000, Sector: 38_688 * x.bit * 1e-6}
			const sectors = 2_100_000
			s, track := marked(t, r, shape, sectors, .2, false)
			l := &s.field.legs[0]
			if !s.period.fit(s, l, 0) {
				t.Fatal("fit found nothing")
			}
			for b := int64(2000); b < sectors/16-4000; b += 8000 {
				n := int64(1000) // about 500 turns inside, 250 outside: as far as a mark reaches
				got := turnOf(l.a, l.b, float64(b+n)) - turnOf(l.a, l.b, float64(b))
				want := track.At(float64((b+n)*16)).Turn - track.At(float64(b*16)).Turn
				if math.Abs(got-want) > .15 {
					t.Errorf("%d blocks from %d on take %.3f turns; want %.3f", n, b, got, want)
				}
			}
		})
	}
}

// TestNoPeriod: failures without an angle give no period, in few of many tries.
func TestNoPeriod(t *testing.T) {
	found := 0
	for i := range uint64(10) {
		r := rand.New(rand.NewPCG(i, 8))
		s, _ := marked(t, r, spiral.Shape{Inner: 24, Pitch: .00074, Sector: 5.157}, 600_000, .1, true)
		if s.period.fit(s, &s.field.legs[0], 0) {
			found++
		}
	}
	if found > 1 {
		t.Errorf("fit found a period in %d of 10 discs whose failures have none", found)
	}
}

// TestTurnsAreTheTracks: without a deviation the turns of blocks are those of the
// nominal track, on both layers of a disc.
func TestTurnsAreTheTracks(t *testing.T) {
	d := Disc{Kind: "dvd", Block: 16, Layers: []int64{2_000_000, 1_990_000}, Written: sector.Of(sector.Span(0, 3_990_000))}
	track, err := spiral.Nominal("dvd", true, d.Layers...)
	if err != nil {
		t.Fatal(err)
	}
	legs := legsOf(&d)
	if len(legs) != 2 {
		t.Fatalf("%d legs; want 2", len(legs))
	}
	for i, l := range legs {
		start := track.At(float64(l.first * 16))
		for k := int64(0); k < l.blocks; k += 9973 {
			want := track.At(float64((l.first + k) * 16))
			if got := turnOf(l.a, l.b, float64(k)); math.Abs(got-(want.Turn-start.Turn)) > .01 {
				t.Fatalf("layer %d: block %d begins at turn %v; want %v", i, k, got, want.Turn-start.Turn)
			}
			if got := l.radiusOf(k); math.Abs(got-want.Radius) > .001 {
				t.Fatalf("layer %d: block %d lies at %v mm; want %v", i, k, got, want.Radius)
			}
		}
	}
}
