package chart

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/simtest"
	"turnstone/device/spiral"
	"turnstone/mapfile"
)

// day is an invented time.
var day = time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)

// track is the nominal track of a DVD.
func track(tb testing.TB, layers ...int64) *spiral.Track {
	tb.Helper()
	t, err := spiral.Nominal("dvd", true, layers...)
	if err != nil {
		tb.Fatal(err)
	}
	return t
}

// caseOf is a map of a disc that is written from start to end, in round 0, with
// one drive.
func caseOf(tb testing.TB, sectors int64) *mapfile.Map {
	tb.Helper()
	m := mapfile.New("case 7")
	d := mapfile.Disc{Kind: "dvd", Sectors: sectors, BlockSectors: 16, Written: sector.Of(sector.Span(0, sectors))}
	if err := m.SetDisc(d); err != nil {
		tb.Fatal(err)
	}
	m.AddRound(mapfile.Round{Opened: day})
	m.AddDrive(mapfile.Drive{Vendor: "Invented", Model: "drive A", Node: "/dev/sr0"})
	return m
}

func pass(tb testing.TB, m *mapfile.Map, p mapfile.Pass) int {
	tb.Helper()
	n, err := m.AddPass(p)
	if err != nil {
		tb.Fatal(err)
	}
	return n
}

// record records a run; sums are 0.
func record(tb testing.TB, m *mapfile.Map, pass int, r sector.Range, result mapfile.Result) {
	tb.Helper()
	var sums []uint32
	if result.Came() {
		sums = make([]uint32, r.Count())
	}
	run := mapfile.Run{Range: r, Result: result, Attempts: 1, Took: mapfile.ClassOf(2 * time.Second)}
	if result.Came() {
		run.Took = mapfile.ClassOf(20 * time.Millisecond)
	}
	if _, err := m.Record(pass, run, sums); err != nil {
		tb.Fatal(err)
	}
}

func picture(tb testing.TB, m *mapfile.Map, d Disc, v View) *Picture {
	tb.Helper()
	p, err := Of(m, d, v)
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

// scratched is a scenario with invented marks: a radial scratch, one along the
// track, a curved one, a blot and a haze. Its shape is the nominal one.
const scratched = `{"name": "chart", "seed": 5,
 "disc": {"kind": "dvd", "sectors": %d, "layers": %d},
 "marks": [
  {"scratch": {"points_mm": [[0, 27], [1, 55]], "width_mm": 0.45, "depth_um": 40}},
  {"arc": {"r_mm": 40, "from_deg": 100, "to_deg": 150, "width_mm": 0.25, "depth_um": 45}},
  {"scratch": {"points_mm": [[-50, -8], [-40, -20], [-25, -26]], "width_mm": 0.5, "depth_um": 30}},
  {"scratch": {"points_mm": [[12, -30], [13, -34]], "width_mm": 0.5, "depth_um": 60}},
  {"blot": {"at_mm": [-33, 18], "radius_mm": 1.2, "pit_um": 25}},
  {"haze": {"region_mm": [48, 52], "from_deg": 250, "to_deg": 300, "density": 0.7, "edge_mm": 1}}],
 "drives": [{"name": "A"}, {"name": "B", "margin": 0.42}],
 "rounds": [{"treatments": []},
  {"treatments": [{"sand": {"grit": 3000, "strokes": 2, "region_mm": [30, 45]}}, {"polish": {"seconds": 70, "region_mm": [30, 45]}}]},
  {"treatments": [{"sand": {"grit": 3000, "strokes": 3, "region_mm": [24, 58]}}, {"polish": {"seconds": 140, "region_mm": [24, 58]}}]}]}`

// marksOf are the scenario's marks as somebody might have found them.
func marksOf() []Mark {
	line := func(xy ...float64) []Polar {
		var all []Polar
		for i := 0; i < len(xy); i += 2 {
			all = append(all, Polar{math.Hypot(xy[i], xy[i+1]), fraction(math.Atan2(xy[i+1], xy[i]) / (2 * math.Pi))})
		}
		return all
	}
	a := line(0, 27, 1, 55)
	b := line(-50, -8, -40, -20, -25, -26)
	return []Mark{
		{Kind: "scratch", Inner: 27, Outer: 55, From: a[1].Angle, To: a[0].Angle, Line: a, Costs: 31200},
		{Kind: "arc", Inner: 39.8, Outer: 40.2, From: 100.0 / 360, To: 150.0 / 360, Costs: 20480, News: "shrunk"},
		{Kind: "scratch", Inner: 36, Outer: 50.6, From: b[0].Angle, To: b[2].Angle, Line: b, Costs: 51200},
		{Kind: "blot", Inner: 36.4, Outer: 38.8, From: 0.41, To: 0.43, Costs: 40000, Note: "in the same place in every round: it may not lie on the surface"},
		{Kind: "hazy region", Inner: 48, Outer: 52, From: 250.0 / 360, To: 300.0 / 360, Costs: 1600, News: "new"},
	}
}

// simulated is the map of a whole job on the scratched disc: each block comes in the
// first round, and from the first drive in it, whose chance to deliver it is at
// least one half.
func simulated(tb testing.TB, sectors int64, layers int) *mapfile.Map {
	tb.Helper()
	disc := simtest.Disc(tb, fmt.Sprintf(scratched, sectors, layers))
	s := disc.Scenario()
	m := caseOf(tb, sectors)
	m.AddDrive(mapfile.Drive{Model: "drive B, invented"})
	m.AddRound(mapfile.Round{Opened: day, Grams: 15.62, Treatments: []mapfile.Treatment{
		{Typed: "sand 3000, 1 min, 30-45 mm", Word: "sand", Grade: "3000", FromMM: 30, ToMM: 45}, {Typed: "polish fine, 70 s", Word: "polish", Grade: "fine", FromMM: 30, ToMM: 45}}})
	m.AddRound(mapfile.Round{Opened: day, Grams: 15.58, ThicknessMM: 1.21, Treatments: []mapfile.Treatment{
		{Typed: "sand 3000, 2 min", Word: "sand", Grade: "3000"}, {Typed: "polish fine, 140 s", Word: "polish", Grade: "fine"}}})
	have := make([]bool, s.Blocks())
	for round := range s.Rounds {
		var chances [2][]sim.Chance
		for d := range chances {
			chances[d] = make([]sim.Chance, s.Blocks())
		}
		var of []sim.Chance
		for b := range s.Blocks() {
			of = disc.AppendChances(of[:0], round, b)
			chances[0][b], chances[1][b] = of[0], of[1]
		}
		for d := range chances {
			if round == 1 && d == 1 {
				continue // so that some is not asked for on the last surface by all
			}
			n := pass(tb, m, mapfile.Pass{Round: round, Drive: d, Started: day, How: "complete", Seconds: 900 + 5000*float64(d), Failed: 77})
			for b := int64(0); b < s.Blocks(); {
				if have[b] || round == 2 && b > s.Blocks()*9/10 { // the last pass was ended early
					b++
					continue
				}
				came := chances[d][b].Readable()
				k := b
				for k < s.Blocks() && !have[k] && chances[d][k].Readable() == came && (round != 2 || k <= s.Blocks()*9/10) {
					have[k] = came
					k++
				}
				result := mapfile.Failed
				if came {
					result = mapfile.Delivered
				}
				record(tb, m, n, sector.Span(sector.LBA(b*16), (k-b)*16), result)
				b = k
			}
		}
	}
	return m
}

// rough is a map with about so many runs of failed sectors at random places, of a
// disc with two layers.
func rough(tb testing.TB, sectors int64, runs int) *mapfile.Map {
	tb.Helper()
	m := caseOf(tb, sectors)
	rng := rand.New(rand.NewPCG(1, 2))
	n := pass(tb, m, mapfile.Pass{Drive: 0, Seconds: 7200})
	m.AddRound(mapfile.Round{Opened: day, Treatments: []mapfile.Treatment{{Typed: "polish fine, 90 s", Word: "polish"}}})
	k := pass(tb, m, mapfile.Pass{Round: 1, Drive: 0, Seconds: 3600})
	step := sectors / int64(runs)
	for at := int64(0); at+step <= sectors; at += step {
		bad := 1 + rng.Int64N(step-1)
		record(tb, m, n, sector.Span(sector.LBA(at), bad), mapfile.Failed)
		record(tb, m, n, sector.Span(sector.LBA(at+bad), step-bad), mapfile.Delivered)
		if rng.IntN(3) == 0 {
			record(tb, m, k, sector.Span(sector.LBA(at), bad), mapfile.Delivered)
		} else if rng.IntN(2) == 0 {
			record(tb, m, k, sector.Span(sector.LBA(at), bad), mapfile.Failed)
		}
	}
	return m
}

// loosely is a field of the scratched disc's first round as somebody might
// estimate it: losses by distance from the marks, unsure far from all of them.
func loosely() *Field {
	f := &Field{Inner: 24, Step: 0.5, Bands: 68, Angles: 360}
	for b := range f.Bands {
		for a := range f.Angles {
			r, t := f.Inner+(float64(b)+0.5)*f.Step, (float64(a)+0.5)/360
			x, y := r*math.Cos(2*math.Pi*t), r*math.Sin(2*math.Pi*t)
			loss := 0.0
			for _, s := range [][5]float64{{0, 27, 1, 55, 0.9}, {-50, -8, -40, -20, 0.6}, {-40, -20, -25, -26, 0.6}, {12, -30, 13, -34, 1}, {-33, 18, -33, 18.01, 1}} {
				d := toSegment(x, y, s[0], s[1], s[2], s[3])
				loss = max(loss, s[4]*max(0, 1-d/0.8))
			}
			sure := 1.0
			if r > 54 && t > 0.5 {
				sure = 0
			} else if r > 50 {
				sure = 0.4
			}
			f.Loss = append(f.Loss, float32(loss))
			f.Certainty = append(f.Certainty, float32(sure))
		}
	}
	return f
}

func toSegment(x, y, x1, y1, x2, y2 float64) float64 {
	dx, dy := x2-x1, y2-y1
	t := clamp(((x-x1)*dx + (y-y1)*dy) / (dx*dx + dy*dy))
	return math.Hypot(x-x1-t*dx, y-y1-t*dy)
}

// longest is the length of the longest line of a text, in letters.
func longest(text string) int {
	n := 0
	for l := range strings.Lines(text) {
		n = max(n, len([]rune(strings.TrimRight(l, "\n"))))
	}
	return n
}
