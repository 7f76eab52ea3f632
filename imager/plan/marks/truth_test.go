package marks_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/ruler"
	"turnstone/device/sim/simtest"
	"turnstone/device/spiral"
	"turnstone/imager/plan/marks"
)

// world is a simulated disc whose marks are known.
type world struct {
	t      *testing.T
	keys   map[string]json.RawMessage // of the scenario
	marks  []drawn
	track  *spiral.Track // the true one
	blocks int64
	layers []int64                 // sectors of each
	fate   map[int]map[int64]int64 // by round, of blocks that failed: the leading sectors that came
	sights []*marks.Sights         // after each round
	failed [][]int64               // blocks, after each round
}

// drawn is a mark of the scenario.
type drawn struct {
	kind  string
	raw   json.RawMessage
	Deep  float64      `json:"depth_um"`
	Wide  float64      `json:"width_mm"`
	Line  [][2]float64 `json:"points_mm"`
	R     float64      `json:"r_mm"`
	From  float64      `json:"from_deg"`
	To    float64      `json:"to_deg"`
	At    [2]float64   `json:"at_mm"`
	Round float64      `json:"radius_mm"`
}

// load reads a scenario and lets its drives read the disc, every block once in order
// of address, in all its rounds.
func load(t *testing.T, path string) *world {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	w := &world{t: t}
	w.must(json.Unmarshal(text, &w.keys))
	var disc struct {
		Sectors int64   `json:"sectors"`
		Layers  int64   `json:"layers"`
		First   int64   `json:"layer0_sectors"`
		Pitch   float64 `json:"pitch_um"`
		Bit     float64 `json:"channel_bit_nm"`
		Inner   float64 `json:"inner_mm"`
		Wander  *struct {
			A    float64 `json:"amplitude_um"`
			L    float64 `json:"length_mm"`
			Seed uint64  `json:"seed"`
		} `json:"pitch_wander"`
	}
	w.must(json.Unmarshal(w.keys["disc"], &disc))
	nominal := spiral.DVD(int(max(1, disc.Layers)))
	disc.Pitch, disc.Bit, disc.Inner = 1e3*nominal.Pitch.Nominal, 1e6*nominal.Bit.Nominal, nominal.Inner.Nominal
	w.must(json.Unmarshal(w.keys["disc"], &disc))
	shape := spiral.Shape{Inner: disc.Inner, Pitch: disc.Pitch / 1e3, Sector: nominal.SectorBits * disc.Bit / 1e6, Layers: []int64{disc.Sectors}}
	if v := disc.Wander; v != nil {
		shape.Wander = spiral.SeededWander(v.A/1e3, v.L, v.Seed)
	}
	w.layers = []int64{disc.Sectors}
	if disc.Layers > 1 {
		w.layers = []int64{disc.First, disc.Sectors - disc.First}
		shape.Layers, shape.Opposite = w.layers, true
	}
	w.track, err = spiral.New(shape)
	w.must(err)
	w.blocks = disc.Sectors / 16
	var all []map[string]json.RawMessage
	if raw, ok := w.keys["marks"]; ok {
		w.must(json.Unmarshal(raw, &all))
	}
	for _, m := range all {
		for kind, raw := range m {
			d := drawn{kind: kind, raw: raw}
			w.must(json.Unmarshal(raw, &d))
			w.marks = append(w.marks, d)
		}
	}
	d := w.disc(text)
	w.fate = w.fates(d)
	for round := range d.Scenario().Rounds {
		w.see(w.fate[round], w.fate[round-1])
	}
	return w
}

func (w *world) must(err error) {
	if err != nil {
		w.t.Helper()
		w.t.Fatal(err)
	}
}

// fates are, by round, the blocks of a disc that failed in the end, with the leading
// sectors of each that came.
func (w *world) fates(d *sim.Disc) map[int]map[int64]int64 {
	order, _ := ruler.Yardstick("straight")
	fate := map[int]map[int64]int64{}
	_, err := ruler.Job{Disc: d, Name: "straight", Order: func(t ruler.Task) ruler.Order {
		if fate[t.Round] == nil {
			fate[t.Round] = map[int64]int64{}
		}
		return &watched{order(t), fate[t.Round]}
	}}.Run(w.t.Context())
	w.must(err)
	return fate
}

// see takes in what failed in a round, of what had failed before it; before is nil for
// the first round.
func (w *world) see(fate, before map[int64]int64) {
	s := marks.NewSights(w.blocks*16, 16)
	var failed []int64
	for b := range w.blocks {
		whole := sector.Span(sector.LBA(b*16), 16)
		if _, missing := before[b]; before != nil && !missing {
			s.Come(whole)
			s.Earlier(whole)
			continue
		}
		lead, bad := fate[b]
		if !bad {
			s.Come(whole)
			continue
		}
		s.Fail(sector.Span(sector.LBA(b*16+lead), 16-lead))
		s.Come(sector.Span(sector.LBA(b*16), lead))
		failed = append(failed, b)
	}
	w.failed = append(w.failed, failed)
	w.sights = append(w.sights, s)
}

// watched is an order of which is kept what came and what failed.
type watched struct {
	ruler.Order
	fate map[int64]int64
}

func (o *watched) Note(q ruler.Request, a device.Answer) {
	r := q.Range
	end := r.First + sector.LBA(a.Good())
	for b := int64(r.First) / 16; sector.LBA(b*16+16) <= end; b++ {
		delete(o.fate, b)
	}
	if a.Err != nil {
		b := int64(end) / 16
		o.fate[b] = max(o.fate[b], int64(end)-b*16)
	}
	o.Order.Note(q, a)
}

func (w *world) disc(text []byte) *sim.Disc {
	w.t.Helper()
	return simtest.Disc(w.t, string(text))
}

// with is the same disc with some of its marks only, and without what wear has drawn.
func (w *world) with(keep func(i int, m drawn) bool) *sim.Disc {
	list := []map[string]json.RawMessage{}
	for i, m := range w.marks {
		if keep(i, m) {
			list = append(list, map[string]json.RawMessage{m.kind: m.raw})
		}
	}
	keys := map[string]json.RawMessage{}
	for k, v := range w.keys {
		keys[k] = v
	}
	delete(keys, "wear")
	raw, err := json.Marshal(list)
	w.must(err)
	keys["marks"] = raw
	text, err := json.Marshal(keys)
	w.must(err)
	return w.disc(text)
}

// dims tells whether a mark can stop a row by itself: 1 − opacity · covered share of
// the beam in its middle, as the simulator's doc has them, is near the margin.
func (m drawn) dims() bool {
	if m.kind == "haze" {
		return false
	}
	if m.kind == "blot" {
		return true
	}
	x := min(1, m.Wide/spiral.DVD(1).Beam(0))
	cover := (math.Asin(x) + x*math.Sqrt(1-x*x)) * 2 / math.Pi
	return 1-(1-math.Exp(-m.Deep/12))*cover < .48
}

// points are places of a mark, close together, in mm.
func (m drawn) points() [][2]float64 {
	var all [][2]float64
	switch m.kind {
	case "scratch":
		for i := 1; i < len(m.Line); i++ {
			a, b := m.Line[i-1], m.Line[i]
			n := 1 + int(math.Hypot(b[0]-a[0], b[1]-a[1])/.05)
			for k := range n {
				t := float64(k) / float64(n)
				all = append(all, [2]float64{a[0] + t*(b[0]-a[0]), a[1] + t*(b[1]-a[1])})
			}
		}
	case "arc":
		n := 1 + int((m.To-m.From)*math.Pi/180*m.R/.05)
		for k := range n {
			sin, cos := math.Sincos((m.From + (m.To-m.From)*float64(k)/float64(n)) * math.Pi / 180)
			all = append(all, [2]float64{m.R * cos, m.R * sin})
		}
	case "blot":
		for k := range 64 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 64)
			all = append(all, [2]float64{m.At[0] + m.Round*cos, m.At[1] + m.Round*sin})
		}
	}
	return all
}

// length is how long a mark is, in mm.
func (m drawn) length() float64 { return .05 * float64(len(m.points())) }

// alone is the blocks that a mark makes unreadable by itself for the first drive, of
// those that failed in a round.
func (w *world) alone(i, round int, failed []int64) []int64 {
	lo, hi := math.Inf(1), 0.0
	for _, p := range w.marks[i].points() {
		r := math.Hypot(p[0], p[1])
		lo, hi = min(lo, r), max(hi, r)
	}
	d := w.with(func(j int, _ drawn) bool { return i == j })
	var out []int64
	var c []sim.Chance
	for _, b := range failed {
		if r := w.track.At(float64(b * 16)).Radius; r < lo-.4 || r > hi+.4 {
			continue
		}
		if c = d.AppendChances(c[:0], round, b); !c[0].Readable() {
			out = append(out, b)
		}
	}
	return out
}
