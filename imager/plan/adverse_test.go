package plan_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim/ruler"
)

var adverse = flag.Int("adverse", 0, "so many seeds more of drives and discs that no model fits, on whole discs (an hour for 3)")

// foe is a drive with a disc that means ill. Its times are those of the simulated
// drive in short; common practice, all of them.
type foe struct {
	kind   string
	block  int64
	blocks int64
	fails  func(f *foe, b int64, attempt int) bool // also by f.now and f.rand
	lose   float64                                 // share of the failures that lose the track
	lies   bool                                    // about how long its answers took

	rand *rand.Rand
	now  float64 // seconds
	head int64   // block
	rung int
	good int
	came []float64 // by block: when; 0: not
	data []byte
}

var foeSpeeds = [...]float64{1, .75, .5, .375, .25, .125}

func (f *foe) answer(q ruler.Request) device.Answer {
	const full, turn = .002, .006 // seconds of a block and of a turn at full speed
	first, n := int64(q.Range.First)/f.block, q.Range.Count()/f.block
	began, speed := f.now, foeSpeeds[f.rung]
	switch gap := first - f.head; {
	case gap != 0 && (gap < 0 || gap > 32):
		f.now += .08 + .09*math.Sqrt(math.Abs(float64(gap))/float64(f.blocks))
	default:
		f.now += float64(gap) * full / speed
	}
	a := device.Answer{Asked: q.Range}
	b, weak := first, false
	for ; b < first+n; b++ {
		f.now += full / speed
		bad := true
		for attempt := 0; bad && attempt <= int(*q.Settings.Retries); attempt++ {
			if attempt > 0 {
				f.now += turn / speed
			}
			bad = f.fails(f, b, attempt)
			weak = weak || attempt > 0 && !bad
		}
		if bad {
			class := device.Medium
			f.now += .1
			if f.rand.Float64() < f.lose {
				class = device.Track
				f.now += 6
			}
			a.Err = &device.ReadError{Asked: q.Range, Class: class, At: sector.LBA(b * f.block)}
			f.rung, f.good = min(f.rung+1, len(foeSpeeds)-1), 0
			break
		}
		f.came[b] = f.now
		if f.good++; f.good == 256 {
			f.rung, f.good = max(0, f.rung-1), 0
		}
	}
	f.head = b
	if weak && a.Err == nil {
		a.Weak = []sector.Range{q.Range}
	}
	a.Data = f.data[:(b-first)*f.block*sector.Size]
	a.Took = time.Duration((f.now - began) * 1e9)
	if f.lies {
		a.Took = time.Duration(f.rand.ExpFloat64() * 1e9)
	}
	return a
}

// run follows an order to its end, and gives the seconds until 99 % of all that came
// in it had come, and how much that was.
func (f *foe) run(t *testing.T, order func(ruler.Task) ruler.Order, seed uint64) (t99 float64, came int) {
	t.Helper()
	f.rand = rand.New(rand.NewPCG(seed, 5))
	f.now, f.head, f.rung, f.good = 0, 0, 0, 0
	f.came, f.data = make([]float64, f.blocks), make([]byte, 512*sector.Size)
	all := sector.Of(sector.Span(0, f.blocks*f.block))
	o := order(ruler.Task{Info: device.Info{Kind: f.kind, Sectors: f.blocks * f.block, BlockSectors: int(f.block),
		MaxSectors: int(16 * f.block), WholeBlocks: true}, Missing: all, Own: 16})
	var wins []float64
	for requests := int64(0); ; requests++ {
		q, ok := o.Next()
		if !ok {
			break
		}
		if requests > 4*f.blocks {
			t.Fatal("the order does not come to its end")
		}
		for b := int64(q.Range.First) / f.block; b*f.block < int64(q.Range.End); b++ {
			if f.came[b] > 0 {
				t.Fatalf("block %d was asked for again; it came", b)
			}
		}
		a := f.answer(q)
		for b := int64(q.Range.First) / f.block; b*f.block < int64(q.Range.First)+a.Good(); b++ {
			wins = append(wins, f.now)
		}
		o.Note(q, a)
	}
	if len(wins) == 0 {
		return 0, 0
	}
	return wins[(len(wins)*99+99)/100-1], len(wins)
}

// chanceOf is a number from 0 to 1 that belongs to a block, or to some of them.
func chanceOf(b int64, seed uint64) float64 { return rand.New(rand.NewPCG(uint64(b), seed)).Float64() }

// foes are discs and drives that no model fits.
var foes = []struct {
	name string
	foe  func(blocks int64, seed uint64) *foe
}{
	{"nothing bad", func(n int64, _ uint64) *foe {
		return &foe{fails: func(*foe, int64, int) bool { return false }}
	}},
	{"everything bad", func(int64, uint64) *foe {
		return &foe{fails: func(*foe, int64, int) bool { return true }}
	}},
	{"blocks bad at random", func(_ int64, seed uint64) *foe {
		return &foe{fails: func(_ *foe, b int64, _ int) bool { return chanceOf(b, seed) < .1 }}
	}},
	{"attempts fail at random", func(_ int64, seed uint64) *foe {
		return &foe{fails: func(f *foe, _ int64, _ int) bool { return f.rand.Float64() < .3 }}
	}},
	{"damage that changes every minute", func(_ int64, seed uint64) *foe {
		return &foe{lose: .1, fails: func(f *foe, b int64, _ int) bool {
			return chanceOf(b/200+int64(f.now/60)*1000, seed) < .2 && b%3 == 0
		}}
	}},
	{"damage that grows", func(n int64, seed uint64) *foe {
		return &foe{fails: func(f *foe, b int64, _ int) bool { return chanceOf(b/64, seed) < min(.4, f.now/600) && b%4 != 0 }}
	}},
	{"runs of bad blocks, and a drive that lies about time", func(_ int64, seed uint64) *foe {
		return &foe{lies: true, lose: .1, fails: func(_ *foe, b int64, _ int) bool { return chanceOf(b/97, seed) < .2 }}
	}},
	{"every second block bad", func(int64, uint64) *foe {
		return &foe{fails: func(_ *foe, b int64, _ int) bool { return b%2 == 1 }}
	}},
	{"good and bad by halves of what the model takes for alike", func(_ int64, seed uint64) *foe {
		return &foe{fails: func(_ *foe, b int64, _ int) bool { return chanceOf(b/7, seed) < .5 }}
	}},
	{"one half dead", func(n int64, _ uint64) *foe {
		return &foe{lose: .05, fails: func(_ *foe, b int64, _ int) bool { return b > n/2 }}
	}},
}

// TestAgainstFoes: where the model fits nothing, it is never more than a tenth behind the
// order by stretches until 99 % of what comes is there, reads nothing twice, and comes
// to an end: also on discs of one block and of other kinds.
func TestAgainstFoes(t *testing.T) {
	type disc struct {
		kind          string
		block, blocks int64
	}
	discs := []disc{{"dvd", 16, 1}, {"bd", 32, 40}, {"dvd", 16, 5_000}}
	seeds := 1
	if *adverse > 0 {
		seeds = *adverse
		discs = append(discs, disc{"dvd", 16, 140_000}, disc{"dvd", 16, 250_000}, disc{"bd", 32, 60_000_000 / 32})
	}
	for _, d := range discs {
		for _, x := range foes {
			for seed := range uint64(seeds) {
				t.Run(x.name, func(t *testing.T) {
					f := x.foe(d.blocks, seed)
					f.kind, f.block, f.blocks = d.kind, d.block, d.blocks
					f.meets(t, seed)
				})
			}
		}
	}
}

// TestAgainstWorstFoes: the same on larger discs, of those that it was farthest behind on.
func TestAgainstWorstFoes(t *testing.T) {
	sizes := map[string]int64{"every second block bad": 8_000, "one half dead": 40_000}
	for _, x := range foes {
		if n := sizes[x.name]; n > 0 {
			t.Run(x.name, func(t *testing.T) {
				f := x.foe(n, 1)
				f.kind, f.block, f.blocks = "dvd", 16, n
				f.meets(t, 1)
			})
		}
	}
}

// meets follows the plan and the order by stretches, and compares them.
func (f *foe) meets(t *testing.T, seed uint64) {
	t.Helper()
	h := &history{}
	got, came := f.run(t, h.order(nil), seed)
	stretches, _ := ruler.Yardstick("stretches")
	want, all := f.run(t, stretches, seed)
	// Ten seconds are a lost track and the way back to full speed, from which
	// nothing was to be learnt; of a whole disc's time they are nothing.
	if got > 1.1*want+10 || float64(came) < .98*float64(all) {
		t.Errorf("%s of %d blocks, seed %d: 99 %% of %d blocks after %.1f s; stretches has %d after %.1f s", f.kind, f.blocks, seed, came, got, all, want)
	}
}
