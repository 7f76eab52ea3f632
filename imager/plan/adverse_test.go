package plan_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim/ruler"
)

var (
	adverse = flag.Int("adverse", 0, "so many seeds of drives and discs that no model fits, also on whole discs (six minutes each)")
	largest = flag.Bool("largest", false, "drives and discs that no model fits on a disc of 60 M sectors (an hour)")
)

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
	came []bool // by block
	data []byte

	spent spent
}

// spent is what a drive did, and the seconds that it took.
type spent struct {
	reads, fails, moves            int
	ways, transfer, slow, failures float64 // of the transfer what reading at full speed takes; failures with their retries
}

func (s spent) String() string {
	return fmt.Sprintf("%d reads, of which %d failed; ways %.0f s (%d moves), transfer %.0f s, slowness %.0f s, failures %.0f s",
		s.reads, s.fails, s.ways, s.moves, s.transfer, s.slow, s.failures)
}

var foeSpeeds = [...]float64{1, .75, .5, .375, .25, .125}

func (f *foe) answer(q ruler.Request) device.Answer {
	const full, turn = .002, .006 // seconds of a block and of a turn at full speed
	first, n := int64(q.Range.First)/f.block, q.Range.Count()/f.block
	began, speed := f.now, foeSpeeds[f.rung]
	f.spent.reads++
	if gap := first - f.head; gap != 0 {
		// What lies a little ahead is passed over or moved to, whichever is sooner.
		way := .08 + .09*math.Sqrt(math.Abs(float64(gap))/float64(f.blocks))
		if pass := float64(gap) * full / speed; 0 < gap && gap <= 32 && pass < way {
			way = pass
		} else {
			f.spent.moves++
		}
		f.now += way
		f.spent.ways += way
	}
	a := device.Answer{Asked: q.Range}
	b, weak := first, false
	for ; b < first+n; b++ {
		f.now += full / speed
		f.spent.transfer += full
		f.spent.slow += full/speed - full
		asked, bad := f.now, true
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
			f.spent.fails++
			a.Err = &device.ReadError{Asked: q.Range, Class: class, At: sector.LBA(b * f.block)}
			f.rung, f.good = min(f.rung+1, len(foeSpeeds)-1), 0
			f.spent.failures += f.now - asked
			break
		}
		f.spent.failures += f.now - asked
		f.came[b] = true
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

// course is when each block came, in order of time, in seconds.
type course []float64

// until is the seconds until so many blocks had come.
func (c course) until(blocks int) float64 {
	if blocks == 0 {
		return 0
	}
	return c[blocks-1]
}

// nearlyAll is 99 % of the blocks that came in both.
func nearlyAll(a, b course) int { return (min(len(a), len(b))*99 + 99) / 100 }

// run follows an order to its end.
func (f *foe) run(t *testing.T, order func(ruler.Task) ruler.Order, seed uint64) course {
	t.Helper()
	f.rand = rand.New(rand.NewPCG(seed, 5))
	f.now, f.head, f.rung, f.good, f.spent = 0, 0, 0, 0, spent{}
	f.came, f.data = make([]bool, f.blocks), make([]byte, 512*sector.Size)
	all := sector.Of(sector.Span(0, f.blocks*f.block))
	o := order(ruler.Task{Info: device.Info{Kind: f.kind, Sectors: f.blocks * f.block, BlockSectors: int(f.block),
		MaxSectors: int(16 * f.block), WholeBlocks: true}, Missing: all, Own: 16})
	var wins course
	for requests := int64(0); ; requests++ {
		q, ok := o.Next()
		if !ok {
			return wins
		}
		if requests > 4*f.blocks {
			t.Fatal("the order does not come to its end")
		}
		for b := int64(q.Range.First) / f.block; b*f.block < int64(q.Range.End); b++ {
			if f.came[b] {
				t.Fatalf("block %d was asked for again; it came", b)
			}
		}
		a := f.answer(q)
		for b := int64(q.Range.First) / f.block; b*f.block < int64(q.Range.First)+a.Good(); b++ {
			wins = append(wins, f.now)
		}
		o.Note(q, a)
	}
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
	{"patches of which a quarter is good", func(_ int64, seed uint64) *foe {
		return &foe{fails: func(_ *foe, b int64, _ int) bool { return chanceOf(b/64, seed) < .4 && b%4 != 0 }}
	}},
	{"patches of which most is good", func(_ int64, seed uint64) *foe {
		return &foe{fails: func(_ *foe, b int64, _ int) bool { return chanceOf(b/24, seed) < .15 && chanceOf(b, seed+9) < .3 }}
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

// foeDisc is a disc's kind and size.
type foeDisc struct {
	kind          string
	block, blocks int64
}

// TestAgainstFoes: where the model fits nothing, it is never more than a tenth behind the
// order by stretches until 99 % of what comes is there, reads nothing twice, and comes
// to an end: also on discs of one block and of other kinds.
func TestAgainstFoes(t *testing.T) {
	discs := []foeDisc{{"dvd", 16, 1}, {"bd", 32, 40}, {"dvd", 16, 5_000}}
	seeds := 1
	if *adverse > 0 {
		seeds = *adverse
		discs = append(discs, foeDisc{"dvd", 16, wholeDisc}, foeDisc{"dvd", 16, 250_000})
	}
	for _, d := range discs {
		for _, x := range foes {
			for seed := range uint64(seeds) {
				t.Run(fmt.Sprintf("%s/%d", x.name, d.blocks), func(t *testing.T) {
					x.foe(d.blocks, seed).on(d).meets(t, seed)
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
				x.foe(n, 1).on(foeDisc{"dvd", 16, n}).meets(t, 1)
			})
		}
	}
}

// TestFoesBySum: on small discs, where tracks are lost by chance and damage depends on time, a
// single one says nothing: stretches takes up to four times as long as from the other end of
// the same disc. So the times of twenty discs are held together.
func TestFoesBySum(t *testing.T) {
	const discs, blocks = 20, 1_000
	stretches, _ := ruler.Yardstick("stretches")
	for _, x := range foes {
		t.Run(x.name, func(t *testing.T) {
			planned, yardstick := 0.0, 0.0
			for seed := range uint64(discs) {
				f, h := x.foe(blocks, seed).on(foeDisc{"dvd", 16, blocks}), &history{}
				got, want := f.run(t, h.order(nil), seed), f.run(t, stretches, seed)
				work := nearlyAll(got, want)
				planned += got.until(work)
				yardstick += want.until(work)
			}
			t.Logf("99 %%: %.0f s, by stretches %.0f s", planned, yardstick)
			if planned > 1.1*yardstick {
				t.Errorf("99 %% of %d discs of %d blocks take %.0f s; by stretches %.0f s", discs, blocks, planned, yardstick)
			}
		})
	}
}

// TestLargest: a disc of 60 M sectors is read to its end, too, and its plan takes no more
// than 200 MB.
func TestLargest(t *testing.T) {
	if !*largest {
		t.Skip("takes an hour: -largest")
	}
	for _, x := range foes {
		t.Run(x.name, func(t *testing.T) {
			const blocks = 60_000_000 / 32
			x.foe(blocks, 0).on(foeDisc{"bd", 32, blocks}).meets(t, 0)
		})
	}
}

func (f *foe) on(d foeDisc) *foe {
	f.kind, f.block, f.blocks = d.kind, d.block, d.blocks
	return f
}

// wholeDisc is the blocks of a DVD that is full.
const wholeDisc = 140_000

// mostHeld is what a plan may hold, in MB.
const mostHeld = 200

// meets follows the plan and the order by stretches, and compares them by the same work:
// the seconds until 99 % of what came in both had come. Where damage grows the two orders
// end with different blocks, and who got more of them would be the later for it.
func (f *foe) meets(t *testing.T, seed uint64) {
	t.Helper()
	var order ruler.Order
	h, before := &history{}, heapMB()
	got := f.run(t, func(task ruler.Task) ruler.Order { order = h.order(nil)(task); return order }, seed)
	h.passes[0].Runs = nil
	held := heapMB() - before - float64(8*cap(got)+len(f.came)+len(f.data))/1e6
	runtime.KeepAlive(order)
	t.Logf("planned: %v", f.spent)
	stretches, _ := ruler.Yardstick("stretches")
	want := f.run(t, stretches, seed)
	t.Logf("stretches: %v", f.spent)
	work := nearlyAll(got, want)
	t.Logf("99 %%: %.0f s, by stretches %.0f s; of its own end %.0f s and %.0f s; planned holds %.0f MB",
		got.until(work), want.until(work), got.until((len(got)*99+99)/100), want.until((len(want)*99+99)/100), held)
	// Ten seconds are a lost track and the way back to full speed, from which nothing was
	// to be learnt. A whole disc has to make them up.
	spare := 10.0
	if f.blocks >= wholeDisc {
		spare = 0
	}
	if got.until(work) > 1.1*want.until(work)+spare || float64(len(got)) < .98*float64(len(want)) {
		t.Errorf("%d blocks of %d, seed %d, after %.1f s, of %d in the end; stretches has them after %.1f s, of %d",
			work, f.blocks, seed, got.until(work), len(got), want.until(work), len(want))
	}
	if held > mostHeld {
		t.Errorf("a plan of %d blocks holds %.0f MB; want %d MB at most", f.blocks, held, mostHeld)
	}
}

// heapMB is what lives on the heap.
func heapMB() float64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc) / 1e6
}
