package marks

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"turnstone/device/sector"
	"turnstone/device/spiral"
)

// drawn is a mark as drawn on a disc: between two radii, in mm, from an angle on and wide,
// in degrees, and by so much further on at the outer radius than at the inner one.
type drawn struct{ inner, outer, from, wide, slant float64 }

// middle is the angle in the mark's middle, in degrees.
func (m drawn) middle() float64 { return m.from + (m.wide+m.slant)/2 }

const drawnSectors = 1_505_600

// disc is a disc of which it is known how it turns, with marks: a block fails that lies
// over more of one than the code makes up for.
func disc(t *testing.T, marks ...drawn) (*grid, *Sights) {
	t.Helper()
	nominal, err := spiral.Nominal("dvd", true, drawnSectors)
	if err != nil {
		t.Fatal(err)
	}
	l := legsOf(nominal, 16)[0]
	s := NewSights(drawnSectors, 16)
	for k := range l.blocks {
		at := nominal.At(float64(k * 16))
		wide := 360 * (nominal.At(float64(k*16+16)).Turn - at.Turn)
		over := 0.0
		for _, m := range marks {
			if at.Radius < m.inner || at.Radius >= m.outer {
				continue
			}
			from := m.from + m.slant*(at.Radius-m.inner)/(m.outer-m.inner) - 360*at.Turn
			from -= 360 * math.Floor(from/360)
			under := max(0, min(wide, from+m.wide)-from) + max(0, min(wide, from-360+m.wide))
			over = max(over, under/360*2*math.Pi*at.Radius)
		}
		if r := sector.Span(sector.LBA(k*16), 16); over > bursts["dvd"] {
			s.Fail(r)
		} else {
			s.Come(r)
		}
	}
	return gridOf(&l, s, bursts["dvd"]), s
}

// costliest is the costliest marks of patches, and how many there are.
func costliest(g *grid, s *Sights, all []patch, n int) ([]Mark, int) {
	var found []Mark
	for _, p := range all {
		found = append(found, g.markOf(p, s))
	}
	sortByCost(found)
	found = found[:min(n, len(found))]
	slices.SortFunc(found, func(a, b Mark) int { return cmp.Compare(a.Middle.Radius, b.Middle.Radius) })
	return found, len(all)
}

// TestWhole: marks that are found in pieces, since blocks begin at the same few angles for
// many turns (nearly three to a turn at 39 mm) or since another mark crosses them, are
// found as one; those that have grown together as two; each with its middle within two
// degrees and a tenth of a millimetre.
func TestWhole(t *testing.T) {
	for _, x := range []struct {
		name   string
		drawn  []drawn // from the innermost middle to the outermost
		pieces int     // found before, at least
	}{
		{"an arc where nearly three blocks make a turn", []drawn{{39.05, 39.28, 187, 105, 0}}, 5},
		{"an arc where nearly three blocks make a turn, further out", []drawn{{39.55, 39.80, 40, 60, 0}}, 5},
		{"a scratch aslant across an arc", []drawn{{37.37, 37.63, 300, 120, 0}, {37.05, 38.35, 22, 14, 14}}, 3},
		{"an arc beside the end of a scratch", []drawn{{46.30, 46.62, 341, 14, 0}, {46.62, 46.95, 299, 56, 0}}, 1},
	} {
		g, s := disc(t, x.drawn...)
		found, _ := g.find(s)
		if len(found) < x.pieces {
			t.Errorf("%s: in %d pieces; want %d at least, or this tells nothing", x.name, len(found), x.pieces)
		}
		got, all := costliest(g, s, g.whole(found, s), len(x.drawn))
		t.Logf("%s: %d pieces, %d marks", x.name, len(found), all)
		if len(got) != len(x.drawn) {
			t.Fatalf("%s: %d marks; want %d", x.name, len(got), len(x.drawn))
		}
		for i, m := range got {
			want := x.drawn[i]
			r, a := m.Middle.Radius-(want.inner+want.outer)/2, math.Remainder(360*m.Middle.Angle-want.middle(), 360)
			t.Logf("   %.2f-%.2f mm, %.0f-%.0f°: off by %.2f mm, %.1f°", m.Inner, m.Outer, 360*m.From, 360*m.To, r, a)
			if math.Abs(r) > .1 || math.Abs(a) > 2 {
				t.Errorf("%s: mark %d is off by %.2f mm, %.1f°; want 0.1 mm, 2° at most", x.name, i, r, a)
			}
		}
	}
}

// TestEdgeSettled: the edge is as good as the best of all slants and places, tried one by
// one; and where all that is seen agrees, it lies where it was drawn.
func TestEdgeSettled(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 26))
	for n := range 50 {
		slant := 2*(slants[rng.IntN(len(slants))]) - slants[len(slants)-1]
		edge := 10*rng.Float64() + .1*rng.Float64()
		noise := float64(n%5) * .04
		seen := make([]look, 300)
		for i := range seen {
			l := look{down: float64(rng.IntN(20)) / 19, at: edge + (rng.Float64()-.5)*1.2*edgeReach, weight: -1}
			if l.at > edge+(l.down-.5)*slant != (rng.Float64() < noise) {
				l.weight = 1
			}
			seen[i] = l
		}
		thought := edge + (rng.Float64()-.5)*30/360
		line, wrong := settled(seen, [2]float64{thought, thought}, true)
		least := math.Inf(1)
		for _, s := range slants {
			for _, slant := range [2]float64{s, -s} {
				for k := -96; k < 96; k++ {
					sum, at := slanting*s, thought+float64(k)/360
					for _, l := range seen {
						if off := l.at - at - (l.down-.5)*slant; off < 0 && l.weight > 0 || off >= 0 && l.weight < 0 {
							sum++
						}
					}
					least = min(least, sum)
				}
			}
		}
		if math.Abs(wrong-least) > .3 {
			t.Errorf("draw %d: settled leaves %.2f wrong; want %.2f, the least there is", n, wrong, least)
		}
		if mid := (line[0] + line[1]) / 2; noise == 0 && math.Abs(mid-edge) > 1.5/360 {
			t.Errorf("draw %d: the edge is off by %.2f°; want 1.5° at most", n, 360*(mid-edge))
		}
	}
}
