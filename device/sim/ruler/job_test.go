package ruler

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/simtest"
)

var yardsticks = []string{"straight", "stretches", "oracle"}

// scene is a scenario of ours, ready to be read.
func scene(t testing.TB, name string) *sim.Disc {
	t.Helper()
	return simtest.Load(t, filepath.Join("../../../testdata/scenarios", name+".json"))
}

// run runs a job by a yardstick and returns its report and trace.
func run(t testing.TB, j Job, order string) (*Report, *bytes.Buffer) {
	t.Helper()
	var ok bool
	if j.Order, ok = Yardstick(order); !ok {
		t.Fatalf("Yardstick(%s) is none", order)
	}
	var trace bytes.Buffer
	j.Name, j.Trace = order, &trace
	rep, err := j.Run(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return rep, &trace
}

// truth is the blocks' lines of a disc.
func truth(t testing.TB, d *sim.Disc) []blockLine {
	t.Helper()
	var text bytes.Buffer
	if err := WriteTruth(t.Context(), &text, d); err != nil {
		t.Fatal(err)
	}
	return lines[blockLine](t, &text)
}

// commandLine and blockLine are what the files say, read by their text alone.
type commandLine struct {
	Round   int
	Drive   string
	T0, T1  float64
	LBA     int64
	Count   int64
	Good    int64
	Outcome string
	X       float64
	Retries float64
}

type blockLine struct {
	LBA          int64
	Chance, Slow [][]float64
	Lost         [][]bool
}

func lines[T any](t testing.TB, text *bytes.Buffer) []T {
	t.Helper()
	var all []T
	d := json.NewDecoder(bytes.NewReader(text.Bytes()))
	d.DisallowUnknownFields()
	for d.More() {
		var one T
		if err := d.Decode(&one); err != nil {
			t.Fatal(err)
		}
		all = append(all, one)
	}
	return all
}

// Whole jobs: the trace keeps to the rules, and everything that the report says
// follows from trace and truth, worked out sector by sector from the words of the
// package's comment.
func TestJobs(t *testing.T) {
	for _, test := range []struct {
		name, orders string
		budget       time.Duration
	}{
		{"scratched", "straight stretches oracle", 0},
		{"scratched", "stretches", 2 * time.Minute},
		{"two-layers", "straight oracle", 0},
		{"resurfaced", "stretches", 0},
		{"resurfaced", "straight", time.Minute},
	} {
		d := scene(t, test.name)
		blocks := truth(t, d)
		for _, order := range strings.Fields(test.orders) {
			what := fmt.Sprintf("%s by %s, budget %v", test.name, order, test.budget)
			rep, trace := run(t, Job{Disc: d, Budget: test.budget}, order)
			commands := lines[commandLine](t, trace)
			rules(t, what, d.Scenario(), commands, blocks)
			compare(t, what, d.Scenario(), rep, commands, blocks)
		}
	}
}

func compare(t *testing.T, what string, s *sim.Scenario, rep *Report, commands []commandLine, blocks []blockLine) {
	t.Helper()
	if int64(len(blocks))*16 != s.Sectors || len(rep.Passes) != len(s.Rounds)*len(s.Drives) {
		t.Fatalf("%s: %d blocks, %d passes; want the whole disc and job", what, len(blocks), len(rep.Passes))
	}
	good := make([]bool, s.Sectors)
	everReadable, everAsked := make([]bool, len(blocks)), make([]bool, s.Sectors)
	wonAt := make([]float64, s.Sectors)
	whole := Figures{Missing: s.Sectors}
	now := 0.0
	for i, p := range rep.Passes {
		drive := slices.IndexFunc(s.Drives, func(d sim.DriveSpec) bool { return d.Name == p.Drive })
		readable := make([]bool, s.Sectors)
		missing := make([]bool, s.Sectors)
		asked := make([]bool, s.Sectors)
		for a := range readable {
			c := blocks[a/16].Chance[p.Round][drive]
			readable[a] = c >= 0.5
			everReadable[a/16] = everReadable[a/16] || readable[a]
			missing[a] = !good[a]
		}
		began := now
		var f Figures
		for len(commands) > 0 && commands[0].Round == p.Round && commands[0].Drive == p.Drive {
			c := commands[0]
			commands = commands[1:]
			now = c.T1
			if c.Outcome != "ok" {
				f.FailedReads++
			}
			if c.Outcome == "track" || c.Outcome == "stall" {
				f.LostTracks++
			}
			if c.Outcome == "stall" {
				f.Stalls++
			}
			for a := c.LBA; a < c.LBA+c.Count; a++ {
				if good[a] {
					f.ReadAgain++
				}
				if a < c.LBA+c.Good {
					good[a], wonAt[a] = true, c.T1
				}
				if c.Outcome == "ok" || a/16 <= (c.LBA+c.Good)/16 {
					asked[a], everAsked[a] = true, true
				}
			}
		}
		count(&f, began, now, func(a int) (bool, bool, bool, bool, float64) {
			return missing[a], readable[a], good[a], asked[a], wonAt[a]
		}, int(s.Sectors))
		same(t, fmt.Sprintf("%s: pass %d", what, i), p.Figures, f)
		whole.FailedReads += f.FailedReads
		whole.LostTracks += f.LostTracks
		whole.Stalls += f.Stalls
		whole.ReadAgain += f.ReadAgain
	}
	if len(commands) > 0 {
		t.Errorf("%s: %d commands of no pass", what, len(commands))
	}
	whole.Missing = 0
	count(&whole, 0, now, func(a int) (bool, bool, bool, bool, float64) {
		return true, everReadable[a/16], good[a], everAsked[a], wonAt[a]
	}, int(s.Sectors))
	same(t, what+": all", rep.All, whole)
}

// count works out figures from what is known of each sector: whether it was
// missing, is readable, is good, was asked for, and when it came.
func count(f *Figures, began, ended float64, of func(a int) (missing, readable, good, asked bool, at float64), sectors int) {
	var times []float64
	sum := 0.0
	for a := range sectors {
		missing, readable, good, asked, at := of(a)
		if !missing {
			continue
		}
		f.Missing++
		switch {
		case good:
			f.Good++
		case asked:
			f.Bad++
		default:
			f.Untried++
		}
		if !readable {
			continue
		}
		f.Readable++
		if good {
			times = append(times, at-began)
			sum += at - began
		} else {
			sum += ended - began
		}
	}
	f.Seconds = ended - began
	if f.Readable == 0 {
		return
	}
	slices.Sort(times)
	when := func(share float64) *float64 {
		n := int(math.Ceil(share*float64(f.Readable) - 1e-6))
		if n > len(times) {
			return nil
		}
		return &times[max(0, n-1)]
	}
	f.T50, f.T90, f.T99, f.T999, f.T100 = when(0.5), when(0.9), when(0.99), when(0.999), when(1)
	mean := sum / float64(f.Readable)
	f.Mean = &mean
}

// same compares figures; times in the trace are rounded.
func same(t *testing.T, what string, got, want Figures) {
	t.Helper()
	near := func(a, b *float64) bool {
		return a == b || a != nil && b != nil && math.Abs(*a-*b) < 3e-6
	}
	times := func(f *Figures) []*float64 {
		return []*float64{f.T50, f.T90, f.T99, f.T999, f.T100, f.Mean, &f.Seconds}
	}
	for i, a := range times(&got) {
		if b := times(&want)[i]; !near(a, b) {
			t.Errorf("%s: time %d = %v; want %v", what, i, number(a), number(b))
		}
	}
	for _, f := range []*Figures{&got, &want} {
		f.T50, f.T90, f.T99, f.T999, f.T100, f.Mean, f.Seconds = nil, nil, nil, nil, nil, nil, 0
	}
	if got != want {
		t.Errorf("%s: figures = %+v; want %+v", what, got, want)
	}
	if got.ReadAgain != 0 {
		t.Errorf("%s: %d good sectors were read again; want none", what, got.ReadAgain)
	}
}

func number(p *float64) any {
	if p == nil {
		return "never"
	}
	return *p
}

// rules holds each command against each of the rules.
func rules(t *testing.T, what string, s *sim.Scenario, commands []commandLine, blocks []blockLine) {
	t.Helper()
	end := 0.0
	good := make([]bool, s.Sectors)
	asked := map[[3]int64]bool{}
	var expected, came, variance float64
	for _, c := range commands {
		fail := func(format string, args ...any) {
			t.Helper()
			t.Fatalf("%s: %+v: "+format, append([]any{what, c}, args...)...)
		}
		n, _ := s.Drive(c.Drive)
		spec := s.Drives[n]
		if c.T0 < end || c.T1 < c.T0 {
			fail("begins before %v, when the one before it ended", end)
		}
		end = c.T1
		// 16 · 1.385 MB/s at 58 mm at most; no track lies outside of that here.
		took, turn := c.T1-c.T0, 2*math.Pi*58*2048/(5.75*c.X*1.385e6)
		if least := float64(c.Good*2048) / (float64(spec.MaxX) * 1.385e6); took < least-2e-6 {
			fail("transfers %d sectors in %v s; want %v at least", c.Good, took, least)
		}
		if c.X > float64(spec.MaxX) || c.Retries < float64(spec.LeastRetries) {
			fail("runs at settings that the drive has not")
		}
		least := map[string]float64{"ok": 0, "medium": 0.1 + c.Retries*1.2*turn, "track": 3, "stall": 3 + spec.Stall.LeastS}
		if want, ok := least[c.Outcome]; !ok || took < want-2e-6 {
			fail("took %v s; want %v at least", took, want)
		}
		if (c.Outcome == "ok") != (c.Good == c.Count) {
			fail("has %d of %d sectors", c.Good, c.Count)
		}
		for a := c.LBA; a < c.LBA+c.Count; a++ {
			if good[a] {
				fail("covers sector %d, which is good", a)
			}
			if a < c.LBA+c.Good {
				good[a] = true
			}
		}
		b := blocks[c.LBA/16]
		chance, lost := b.Chance[c.Round][n], b.Lost[c.Round][n]
		if c.X == 2 {
			chance = b.Slow[c.Round][n]
		}
		if lost != (c.Outcome == "track" || c.Outcome == "stall") || lost && c.Good > 0 {
			fail("where the track is lost: %v", lost)
		}
		if c.Outcome == "ok" && c.Count == 16 && chance == 0 || c.Outcome != "ok" && chance == 1 {
			fail("where the chance is %v", chance)
		}
		if !spec.Partial && c.Outcome != "ok" && c.Good%16 != 0 {
			fail("gives part of a block; the drive does not")
		}
		key := [3]int64{int64(c.Round), int64(n), c.LBA}
		if c.Count == 16 && !lost && !asked[key] {
			p := 1 - math.Pow(1-chance, c.Retries+1)
			expected += p
			variance += p * (1 - p)
			if c.Outcome == "ok" {
				came++
			}
		}
		asked[key] = true
	}
	if d := math.Abs(came - expected); d > 4*math.Sqrt(variance)+1e-3*expected/1000 {
		t.Errorf("%s: %v blocks came at the first request; want about %.1f ± %.1f", what, came, expected, math.Sqrt(variance))
	}
}

func TestTwoRunsAreTheSameBytes(t *testing.T) {
	a, traceA := run(t, Job{Disc: scene(t, "scratched")}, "stretches")
	b, traceB := run(t, Job{Disc: scene(t, "scratched")}, "stretches")
	textA, _ := json.Marshal(a)
	textB, _ := json.Marshal(b)
	if !bytes.Equal(textA, textB) || !bytes.Equal(traceA.Bytes(), traceB.Bytes()) {
		t.Errorf("two runs differ")
	}
}

// shy asks for little, or for what it must not.
type shy struct {
	asks []sector.Range
	set  device.Settings
}

func (s *shy) Next() (Request, bool) {
	if len(s.asks) == 0 {
		return Request{}, false
	}
	r := s.asks[0]
	s.asks = s.asks[1:]
	return Request{Range: r, Settings: s.set}, true
}

func (s *shy) Note(Request, device.Answer) {}

// Whatever an order leaves out is asked for behind it.
func TestEveryBlockIsAskedFor(t *testing.T) {
	d := scene(t, "scratched")
	for _, asks := range [][]sector.Range{nil, {sector.Span(160, 256)}, {sector.Span(3, 1), sector.Span(47_990, 10)}} {
		rep, err := Job{Disc: d, Order: func(Task) Order { return &shy{asks: asks} }}.Run(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if f := rep.All; f.Untried != 0 || f.Good+f.Bad != f.Missing || f.ReadAgain != 0 {
			t.Errorf("order that asks for %v: %+v; want all asked for and nothing twice", asks, f)
		}
	}
}

func TestReadAgainIsCounted(t *testing.T) {
	again := []sector.Range{sector.Span(160, 16), sector.Span(160, 32), sector.Span(0, 1)}
	rep, err := Job{Disc: scene(t, "two-layers"), Order: func(Task) Order { return &shy{asks: again} }}.Run(t.Context())
	if err != nil || rep.All.ReadAgain != 16 {
		t.Errorf("good sectors read again = %+v, %v; want 16", rep, err)
	}
}

func TestJobErrors(t *testing.T) {
	d := scene(t, "resurfaced")
	straight, _ := Yardstick("straight")
	order := func(s shy) func(Task) Order {
		return func(Task) Order { return &shy{s.asks, s.set} }
	}
	one := uint8(1)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	broken := errors.New("disk full")
	for _, test := range []struct {
		name string
		job  Job
		ctx  context.Context
		want string
	}{
		{"beyond the disc", Job{Order: order(shy{asks: []sector.Range{sector.Span(16_000, 1)}})}, t.Context(), "round 0, drive A: device: range 16000+1 is not on a disc"},
		{"too long", Job{Order: order(shy{asks: []sector.Range{sector.Span(0, 257)}})}, t.Context(), "longer than the 256 sectors"},
		{"settings", Job{Order: order(shy{asks: []sector.Range{sector.Span(0, 1)}, set: device.Settings{Retries: &one}}), Budget: 1}, t.Context(), "round 0, drive B"},
		{"context", Job{Order: straight}, ended, "context canceled"},
		{"trace", Job{Order: straight, Trace: writer{broken}}, t.Context(), "disk full"},
	} {
		test.job.Disc = d
		if _, err := test.job.Run(test.ctx); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: Run = %v; want %q", test.name, err, test.want)
		}
	}
	if err := WriteTruth(t.Context(), writer{broken}, d); !errors.Is(err, broken) {
		t.Errorf("WriteTruth to a full disk = %v; want %v", err, broken)
	}
	if err := WriteTruth(ended, &bytes.Buffer{}, d); !errors.Is(err, context.Canceled) {
		t.Errorf("WriteTruth(ended context) = %v; want %v", err, context.Canceled)
	}
}

type writer struct{ err error }

func (w writer) Write([]byte) (int, error) { return 0, w.err }

// No drive recognises the disc while it is sanded and not polished.
func TestNoMediumIsSaid(t *testing.T) {
	d := scene(t, "resurfaced")
	rep, _ := run(t, Job{Disc: d, Budget: time.Second}, "straight")
	for _, p := range rep.Passes {
		if want := p.Round == 1; p.NoMedium != want {
			t.Errorf("round %d, drive %s: no medium = %v; want %v", p.Round, p.Drive, p.NoMedium, want)
		}
		if p.Round == 1 && (p.Readable != 0 || p.Mean != nil || p.Untried != p.Missing || p.Seconds != 0) {
			t.Errorf("round 1, drive %s = %+v; want nothing readable, nothing asked", p.Drive, p.Figures)
		}
	}
	for _, b := range truth(t, d) {
		if b.Chance[1][0] != 0 || !b.Lost[1][1] {
			t.Fatalf("block at %d = %+v; want it lost in round 1", b.LBA, b)
		}
	}
}

func TestLinesAreAsSpecified(t *testing.T) {
	var out bytes.Buffer
	trace := newTrace(&out)
	trace.note(0, "A", sim.Command{
		Start: 1_250_730_600, End: 1_253_902_400, Range: sector.Span(4096, 16), Good: 16, Outcome: sim.OK, X: 16,
	})
	trace.note(2, `"B"`, sim.Command{
		Start: time.Minute, End: time.Hour, Range: sector.Span(0, 256), Good: 5, Outcome: sim.LongSilent, X: 2, Retries: 255,
	})
	if err := trace.flush(); err != nil {
		t.Fatal(err)
	}
	want := `{"round":0,"drive":"A","t0":1.250731,"t1":1.253902,"lba":4096,"count":16,"good":16,"outcome":"ok","x":16,"retries":0}
{"round":2,"drive":"\"B\"","t0":60.000000,"t1":3600.000000,"lba":0,"count":256,"good":5,"outcome":"stall","x":2,"retries":255}
`
	if out.String() != want {
		t.Errorf("trace = %s; want %s", out.String(), want)
	}
	for _, test := range []struct {
		p    float64
		want string
	}{{0, "0"}, {1, "1"}, {0.9123454, "0.912345"}, {0.2, "0.2"}, {1 - 1e-12, "0.999999"}, {1e-12, "0.000001"}, {0.5, "0.5"}, {1e-5, "0.00001"}} {
		if got := string(appendChance(nil, test.p)); got != test.want {
			t.Errorf("appendChance(%v) = %s; want %s", test.p, got, test.want)
		}
	}
}
