package marks_test

import (
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
	longLeast  = 5.0 // mm
	costLeast  = 200 // sectors that it alone makes unreadable
	partsApart = 0.1 // mm of radius in which it stops nothing: what lies beyond is another part
	radiusOff  = 0.5 // mm
	angleOff   = 3.0 // degrees
	partLeast  = 0.1 // of the blocks that a simulated mark stops by itself, that one found must explain to be it, or a part of it
	placeRoomR = 0.5 // mm around a mark found, within which a simulated one may be what it is ...
	placeRoomA = 8.0 // ... and degrees
)

// score is how marks were found.
type score struct {
	due, found       int     // simulated marks that must be found, and those that were, by radius and place
	turned           int     // of them, those within the angle by one turn of the whole map
	seen, named      telling // what comes of telling places, without and with the marks named
	worstR           float64 // mm
	local            []float64
	marks, falseOnes int
	drift, stated    float64 // degrees: how far angles truly drift, and what the calibration says
}

func (s score) String() string {
	slices.Sort(s.local)
	mid, most := 0.0, 0.0
	if n := len(s.local); n > 0 {
		mid, most = s.local[n/2], s.local[n-1]
	}
	return fmt.Sprintf("due %3d  found %3d (by one turn of the map %3d; by --seen %v; with marks named %v)  radius off ≤ %.2f mm  angle off by itself %.1f° median, %.1f° most  marks %3d, false %2d  drift %.0f°, stated %.0f°",
		s.due, s.found, s.turned, s.seen, s.named, s.worstR, mid, most, s.marks, s.falseOnes, s.drift, s.stated)
}

// dueMark is a simulated mark that must be found, or the part of it that stops the reading.
type dueMark struct {
	mark   int     // of the scenario
	blocks []int64 // that it alone makes unreadable
	at     chart.Polar
}

// isOf tells whether a mark found is what a simulated one is, or a part of that: it explains
// a tenth of its blocks at least.
func (d dueMark) isOf(m marks.Mark) bool {
	return math.Abs(m.Middle.Radius-d.at.Radius) <= radiusOff && float64(len(common(m.Blocks(), d.blocks))) >= partLeast*float64(len(d.blocks))
}

// common are the blocks of a mark found that a simulated one makes unreadable by itself.
func common(found []int, alone []int64) (both []int64) {
	for _, b := range found {
		if _, ok := slices.BinarySearch(alone, int64(b)); ok {
			both = append(both, int64(b))
		}
	}
	return both
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
	var due []dueMark
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
			it := dueMark{i, blocks, chart.Polar{Radius: r, Angle: a}}
			due = append(due, it)
			local := off(blocks[len(blocks)/2])
			best := hit{local: math.Inf(1)}
			bestR := 0.0
			for _, x := range f.Marks {
				if !it.isOf(x) {
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
	l := w.looker(d, f, round, due)
	s.seen, s.named = l.tell(false), l.tell(true)
	for _, x := range f.Marks {
		if x.To-x.From < 1 && !w.true(x, round, off) {
			s.falseOnes++
			w.t.Logf("   false: %s %.2f-%.2f mm, %.0f°, costs %d", x.Kind, x.Inner, x.Outer, 360*x.Middle.Angle, x.Costs)
		}
	}
	return s
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
