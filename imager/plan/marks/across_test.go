package marks_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"turnstone/device/sim"
	"turnstone/device/spiral"
	"turnstone/imager/plan/marks"
)

// acrossed is what brought a simulated disc's second layer to its first, and how far that
// is off the truth.
type acrossed struct {
	marks.Across
	ok     bool
	disc   *marks.Disc // brought, where ok
	off    float64     // turns, the root of the mean square over the marks of the second layer
	most   float64     // the most over them
	before float64     // off once the layers are turned against each other only
}

func (a acrossed) String() string {
	if !a.ok {
		return "it is not told how the layers stand to each other"
	}
	return fmt.Sprintf("%d pairs, %.1f of %d radii; off by %.1f° (at most %.1f°), stated %.1f°; by one turn of the layer alone %.0f°",
		a.Pairs, a.Rings, a.Of, 360*a.off, 360*a.most, 360*a.Off, 360*a.before)
}

// across brings the second layer's angles of a disc to those of the first, and tells by the
// true track how far that is off at the middles of the costliest marks of the second layer.
func (w *world) across(s *marks.Sights) (a acrossed) {
	nominal, err := spiral.Nominal("dvd", true, w.layers...)
	w.must(err)
	d := marks.Calibrate("dvd", nominal, s)
	first, second := d.Find(0, s), d.Find(1, s)
	a.Across, a.ok = d.Across(first, second)
	if !a.ok {
		return a
	}
	a.disc = d.Brought(nominal, a.Across)
	// How a layer's angles are off the true ones at a place, which hangs on no layer.
	off := func(d *marks.Disc, layer int, position float64) float64 {
		return d.Turn(layer, position) - w.track.At(position).Turn
	}
	n := 0.0
	var sin, cos float64
	var unturned []float64
	for _, m := range second.Marks[:min(24, len(second.Marks))] {
		b := m.Blocks()
		under := float64(b[len(b)/2] * 16)
		over := w.track.Position(0, w.track.Turn(0, w.track.At(under).Radius))
		e := math.Remainder(off(a.disc, 1, under)-off(a.disc, 0, over), 1)
		w.t.Logf("   %s at %.1f mm: off by %.1f°", m.Kind, m.Middle.Radius, 360*e)
		a.off, a.most, n = a.off+e*e, max(a.most, math.Abs(e)), n+1
		e = off(d, 1, under) - off(d, 0, over)
		unturned = append(unturned, e)
		y, x := math.Sincos(2 * math.Pi * e)
		sin, cos = sin+y, cos+x
	}
	mean := math.Atan2(sin, cos) / (2 * math.Pi)
	for _, e := range unturned {
		e = math.Remainder(e-mean, 1)
		a.before += e * e / n
	}
	a.off, a.before = math.Sqrt(a.off/n), math.Sqrt(a.before)
	return a
}

// TestAcross: of a disc of two layers the angles of the second are brought to those of the
// first by the marks that lie under both, and marks that then lie over each other are one.
func TestAcross(t *testing.T) {
	const path = "../../../testdata/scenarios/marks/both.json"
	w := load(t, path)
	s := w.sights[0]
	a := w.across(s)
	t.Log(a)
	if !a.ok || 360*a.off > 8 || a.most > 3*a.Off {
		t.Fatalf("angles are off by %.1f°, at most %.1f°, stated %.1f°, %v; want 8° and 3 times what is stated at most", 360*a.off, 360*a.most, 360*a.Off, a.ok)
	}
	first, second := a.disc.Find(0, s), a.disc.Find(1, s)
	right, wrong := 0, 0
	for _, m := range second.Marks {
		i, ok := m.LiesOver(first.Marks)
		if !ok || m.Costs < 300 {
			continue
		}
		if w.same(a.disc, first.Marks[i], m) {
			right++
			continue
		}
		wrong++
		t.Logf("   %s %.2f-%.2f mm on layer 1 is said to be %s %.2f-%.2f mm on layer 0", m.Kind, m.Inner, m.Outer, first.Marks[i].Kind, first.Marks[i].Inner, first.Marks[i].Outer)
	}
	if right < 9 || 10*wrong > right {
		t.Errorf("of the marks of layer 1 %d are rightly said to be one of layer 0, and %d wrongly; want 9 at least, and one in ten at most", right, wrong)
	}
	t.Logf("one with a mark of layer 0: %d rightly, %d wrongly", right, wrong)
	w.unlike(path)
}

// same tells whether marks of the two layers are there because of one simulated mark: each
// lies, by the true track, within half a mm and 20 degrees of a place of it.
func (w *world) same(d *marks.Disc, first, second marks.Mark) bool {
	near := func(x marks.Mark, m drawn) bool {
		b := x.Blocks()
		mid := w.track.At((float64(b[len(b)/2]) + .5) * 16)
		off := d.Turn(int(b[0]*16/int(w.layers[0])), float64(b[len(b)/2]*16)) - w.track.At(float64(b[len(b)/2]*16)).Turn
		for _, p := range m.points() {
			r, a := math.Hypot(p[0], p[1]), math.Atan2(p[1], p[0])/(2*math.Pi)
			if math.Abs(r-mid.Radius) < .5 && math.Abs(math.Remainder(x.Middle.Angle-off-a, 1)) < 20./360 {
				return true
			}
		}
		return false
	}
	for _, m := range w.marks {
		if m.dims() && near(first, m) && near(second, m) {
			return true
		}
	}
	return false
}

// unlike: where the marks of the second layer lie at the radii of those of the
// first, each turned by an angle of its own, nothing is said.
func (w *world) unlike(path string) {
	for seed := 1; seed <= 3; seed++ {
		text, err := os.ReadFile(path)
		w.must(err)
		var keys map[string]json.RawMessage
		w.must(json.Unmarshal(text, &keys))
		var list []json.RawMessage
		for i, m := range w.marks {
			sin, cos := math.Sincos(2.4 * float64(seed*(i+1)*(i+2)))
			turn := func(p [2]float64) [2]float64 { return [2]float64{p[0]*cos - p[1]*sin, p[0]*sin + p[1]*cos} }
			for k, p := range m.Line {
				w.marks[i].Line[k] = turn(p)
			}
			by := math.Atan2(sin, cos) * 180 / math.Pi
			var one any
			switch m.kind {
			case "scratch":
				one = map[string]any{"points_mm": w.marks[i].Line, "width_mm": m.Wide, "depth_um": m.Deep}
			case "arc":
				one = map[string]any{"r_mm": m.R, "from_deg": m.From + by, "to_deg": m.To + by, "width_mm": m.Wide, "depth_um": m.Deep}
			default:
				continue
			}
			raw, err := json.Marshal(map[string]any{m.kind: one})
			w.must(err)
			list = append(list, raw)
		}
		keys["marks"], err = json.Marshal(list)
		w.must(err)
		text, err = json.Marshal(keys)
		w.must(err)
		o := w.disc(text)
		fate := map[int64]int64{}
		edge := w.layers[0] / 16
		var c []sim.Chance
		for b := range w.blocks {
			if lead, bad := w.fate[0][b]; bad && b < edge {
				fate[b] = lead
			} else if c = o.AppendChances(c[:0], 0, b); b >= edge && !c[0].Readable() {
				fate[b] = 0
			}
		}
		w.see(fate, nil)
		if a := w.across(w.sights[len(w.sights)-1]); a.ok {
			w.t.Errorf("seed %d: %d pairs at %.1f of %d radii lie over each other; want it not told", seed, a.Pairs, a.Rings, a.Of)
		}
	}
}
