package marks_test

import (
	"cmp"
	"flag"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"testing"

	"turnstone/device/sim"
	"turnstone/device/spiral"
	"turnstone/imager/plan/marks"
	"turnstone/mapfile/chart"
)

var campaign = flag.String("campaign", "", "measure marks on the scenarios of this folder, too (minutes)")

// What counts as found, and which simulated marks must be.
const (
	longLeast  = 5.0       // mm
	costLeast  = 200       // sectors that it alone makes unreadable
	partsApart = 0.1       // mm of radius in which it stops nothing: what lies beyond is another part
	radiusOff  = 0.5       // mm
	angleOff   = 3.0       // degrees
	placeRoomR = 0.5       // mm around a mark found, within which a simulated one may be what it is ...
	placeRoomA = 8.0       // ... and degrees
	toldStep   = 1. / 360  // turns: a place is told to a degree
	held       = 50. / 360 // turns by which who looks at the disc holds it turned
)

// score is how marks were found.
type score struct {
	due, found       int     // simulated marks that must be found, and those that were, by radius and place
	turned           int     // of them, those within the angle by one turn of the whole map
	seen             int     // the same once some of them, told as people do, have turned it
	untold           int     // of those seen, the ones that were not told
	how              string  // what telling them came to
	worstR           float64 // mm
	local            []float64
	marks, falseOnes int
	drift, stated    float64 // degrees: how far angles truly drift, and what the calibration says

	fit  chart.Fit   // how those told turn the map, ...
	bent *marks.Disc // ... and the disc by it; nil where they don't
}

func (s score) String() string {
	slices.Sort(s.local)
	mid, most := 0.0, 0.0
	if n := len(s.local); n > 0 {
		mid, most = s.local[n/2], s.local[n-1]
	}
	return fmt.Sprintf("due %3d  found %3d (by one turn of the map %3d; after --seen%s %d, %d of them not told)  radius off ≤ %.2f mm  angle off by itself %.1f° median, %.1f° most  marks %3d, false %2d  drift %.0f°, stated %.0f°",
		s.due, s.found, s.turned, s.how, s.seen, s.untold, s.worstR, mid, most, s.marks, s.falseOnes, s.drift, s.stated)
}

// measure finds the marks of a round and holds them against the truth.
func (w *world) measure(round int) score {
	nominal, err := spiral.Nominal("dvd", true, w.blocks*16)
	w.must(err)
	d := marks.Calibrate("dvd", nominal, w.sights...)
	f := d.Find(0, w.sights[round])
	var s score
	s.marks = len(f.Marks)
	failed := w.failed[round]
	// How far the fitted turns are off the true ones, where blocks failed.
	off := func(b int64) float64 { return d.Turn(0, float64(b*16)) - w.track.At(float64(b*16)).Turn }
	mean, square := 0.0, 0.0
	for _, b := range failed {
		mean += off(b) / float64(len(failed))
	}
	for _, b := range failed {
		square += (off(b) - mean) * (off(b) - mean) / float64(len(failed))
	}
	_, stated := d.Angles(0)
	s.drift, s.stated = 360*math.Sqrt(square), 360*stated

	// Each simulated mark that must be found.
	type hit struct{ global, local float64 }
	var hits []hit
	var due []chart.Polar
	for i, m := range w.marks {
		if (m.kind != "scratch" && m.kind != "arc") || m.length() <= longLeast || !m.dims() {
			continue
		}
		for _, blocks := range parts(w.alone(i, round, failed), w.track) {
			if len(blocks)*16 < costLeast {
				continue
			}
			s.due++
			r, a := w.middle(m, blocks)
			due = append(due, chart.Polar{Radius: r, Angle: a})
			local := off(blocks[len(blocks)/2])
			best := hit{local: math.Inf(1)}
			bestR := 0.0
			for _, x := range f.Marks {
				if math.Abs(x.Middle.Radius-r) > radiusOff {
					continue
				}
				h := hit{360 * math.Remainder(x.Middle.Angle-a, 1), 360 * math.Remainder(x.Middle.Angle-local-a, 1)}
				if math.Abs(h.local) < math.Abs(best.local) {
					best, bestR = h, x.Middle.Radius-r
				}
			}
			w.t.Logf("   %s %d of %d blocks at %.2f mm, %.0f°: off by itself %.1f°, on the map %.1f°, radius %.2f mm", m.kind, i, len(blocks), r, 360*a, best.local, best.global, bestR)
			if math.Abs(best.local) <= angleOff {
				s.found++
			}
			if !math.IsInf(best.local, 0) {
				hits = append(hits, best)
				s.local = append(s.local, math.Abs(best.local))
				s.worstR = max(s.worstR, math.Abs(bestR))
			}
		}
	}
	// The one turn of the map that suits most.
	for _, h := range hits {
		n := 0
		for _, o := range hits {
			if math.Abs(math.Remainder(o.global-h.global, 360)) <= angleOff {
				n++
			}
		}
		s.turned = max(s.turned, n)
	}
	w.look(&s, d, f, round, due)
	for _, x := range f.Marks {
		if x.To-x.From < 1 && !w.true(x, round, off) {
			s.falseOnes++
			w.t.Logf("   false: %s %.2f-%.2f mm, %.0f°, costs %d", x.Kind, x.Inner, x.Outer, 360*x.Middle.Angle, x.Costs)
		}
	}
	return s
}

// look tells where some of the marks that are due lie, as a person does who looks at the
// reading side of the disc, held turned by 50 degrees: three from the innermost to the
// outermost, and one more as long as that leaves a doubt, each to half a mm and to a
// degree, as a printed map under the disc tells them; and looks where all come to lie by
// that.
func (w *world) look(s *score, d *marks.Disc, f marks.Found, round int, due []chart.Polar) {
	if len(due) < 2 {
		return
	}
	slices.SortFunc(due, func(a, b chart.Polar) int { return cmp.Compare(a.Radius, b.Radius) })
	var visible []chart.Mark
	for i, m := range f.Marks {
		if len(visible) < 16 && !slices.ContainsFunc(f.Marks[:i], m.Fringes) {
			visible = append(visible, chart.Mark{Inner: m.Inner, Outer: m.Outer, From: m.From, To: m.To, Costs: m.Costs, Line: []chart.Polar{chart.Polar(m.Middle)}})
		}
	}
	var told []int
	var fit chart.Fit
	var err error
	for n := min(3, len(due)); n <= len(due); n++ {
		told = nil
		var places []chart.Place
		for i := range n {
			k := i * (len(due) - 1) / (n - 1)
			clock := due[k].Angle + held
			clock -= math.Floor(clock)
			told = append(told, k)
			places = append(places, chart.Place{Radius: math.Round(2*due[k].Radius) / 2, Clock: math.Mod(math.Round(clock/toldStep)*toldStep, 1), Step: toldStep})
		}
		fit, err = chart.FitTurn(places, []chart.Side{chart.Reading}, visible,
			func(mm float64) float64 { return d.Sway(0, 0, mm) }, func(mm float64) float64 { return d.Sway(0, 1, mm) })
		if err == nil && !fit.Doubtful {
			break
		}
		w.t.Logf("   %d told: doubtful, %v", n, err)
	}
	if err != nil {
		s.how = ": " + err.Error()
		return
	}
	s.how = fmt.Sprintf(" of %d (by %.0f°, which may be off by %.0f°)", len(told), fit.Turn, fit.Spread)
	if fit.Doubtful {
		s.how += ", doubtful"
	}
	nominal, err := spiral.Nominal("dvd", true, w.blocks*16)
	w.must(err)
	bent := d.Remade(nominal, [][2]float64{d.Swayed(0, fit.Sways)})
	s.fit, s.bent = fit, bent
	f = bent.Find(0, w.sights[round])
	for i, p := range due {
		// Which mark is the one is told by the truth, as before: another that comes to lie
		// there does not count.
		at := w.track.Position(0, w.track.Turn(0, p.Radius))
		off := bent.Turn(0, at) - w.track.At(at).Turn
		local, global := math.Inf(1), math.Inf(1)
		for _, m := range f.Marks {
			if l := 360 * math.Abs(math.Remainder(m.Middle.Angle-off-p.Angle, 1)); math.Abs(m.Middle.Radius-p.Radius) <= radiusOff && l < local {
				local, global = l, 360*math.Abs(math.Remainder(m.Middle.Angle+fit.Turn/360-held-p.Angle, 1))
			}
		}
		w.t.Logf("   after --seen, at %.2f mm: off %.1f°, by itself %.1f°", p.Radius, global, local)
		if global <= angleOff {
			s.seen++
			if !slices.Contains(told, i) {
				s.untold++
			}
		}
	}
}

// parts are the blocks of a mark by where on it they lie: a scratch may stop the
// reading in several places, far apart in radius.
func parts(blocks []int64, t *spiral.Track) [][]int64 {
	var all [][]int64
	for i, b := range blocks {
		if i == 0 || t.At(float64(b*16)).Radius-t.At(float64(blocks[i-1]*16)).Radius > partsApart {
			all = append(all, nil)
		}
		all[len(all)-1] = append(all[len(all)-1], b)
	}
	return all
}

// middle is the middle of the part of a mark that makes blocks unreadable: in the
// middle of their radii, and of what of the mark lies at these.
func (w *world) middle(m drawn, blocks []int64) (radius, angle float64) {
	lo, hi := math.Inf(1), 0.0
	for _, b := range blocks {
		r := w.track.At(float64(b*16) + 8).Radius
		lo, hi = min(lo, r), max(hi, r)
	}
	var x, y, n float64
	for _, p := range m.points() {
		if r := math.Hypot(p[0], p[1]); lo-.05 <= r && r <= hi+.05 {
			x, y, n = x+p[0], y+p[1], n+1
		}
	}
	return (lo + hi) / 2, math.Atan2(y, x) / (2 * math.Pi)
}

// true tells whether the simulated marks at a mark's place are what stops its blocks:
// whether half of them at least are readable without these marks.
func (w *world) true(x marks.Mark, round int, off func(int64) float64) bool {
	blocks := x.Blocks()
	turn := off(int64(blocks[len(blocks)/2]))
	mid, half := (x.From+x.To)/2-turn, (x.To-x.From)/2+placeRoomA/360
	d := w.with(func(_ int, m drawn) bool {
		for _, p := range m.points() {
			r := math.Hypot(p[0], p[1])
			if x.Inner-placeRoomR <= r && r <= x.Outer+placeRoomR && math.Abs(math.Remainder(math.Atan2(p[1], p[0])/(2*math.Pi)-mid, 1)) <= half {
				return false
			}
		}
		return true
	})
	n, readable := 0, 0
	var c []sim.Chance
	for i, b := range blocks {
		if len(blocks) > 60 && i%(len(blocks)/60+1) != 0 {
			continue
		}
		n++
		if c = d.AppendChances(c[:0], round, int64(b)); c[0].Usual > .1 {
			readable++
		}
	}
	return 2*readable >= n
}

// TestCampaign measures the marks of whole discs.
func TestCampaign(t *testing.T) {
	if *campaign == "" {
		t.Skip("the flag -campaign names no folder with scenarios")
	}
	paths, err := filepath.Glob(filepath.Join(*campaign, "*.json"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no scenarios in %s (%v)", *campaign, err)
	}
	for _, path := range paths {
		t.Run(filepath.Base(path), func(t *testing.T) {
			w := load(t, path)
			if len(w.layers) > 1 {
				t.Log(w.across(w.sights[0]))
				return
			}
			t.Log(w.measure(0))
			for round := 1; round < len(w.sights); round++ {
				t.Logf("news of round %d: %v", round, w.news(round))
			}
		})
	}
}
