package ruler

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim"
)

// task is a pass for some sectors of a disc of n blocks.
func task(n int64, missing ...sector.Range) Task {
	return Task{
		Info:    device.Info{Sectors: n * 16, BlockSectors: 16, MaxSectors: 256},
		Missing: sector.Of(missing...), Own: 9, Least: 2, Chances: make([]sim.Chance, n),
	}
}

// follow runs an order against a function that says how many sectors of a request
// come, −1 for a lost track, and returns what was asked, as text.
func follow(o Order, come func(Request) int64) (asked []string) {
	for {
		q, ok := o.Next()
		if !ok {
			return asked
		}
		asked = append(asked, fmt.Sprintf("%v/%d", q.Range, *q.Settings.Retries))
		a := device.Answer{Asked: q.Range}
		if n := come(q); n < 0 {
			a.Err = &device.ReadError{Class: device.Track}
		} else {
			a.Data = make([]byte, n*sector.Size)
			if n < q.Range.Count() {
				a.Err = &device.ReadError{Class: device.Medium}
			}
		}
		o.Note(q, a)
	}
}

func all(q Request) int64 { return q.Range.Count() }

func TestBlocks(t *testing.T) {
	k := task(10, sector.Span(5, 30), sector.Span(48, 2), sector.Span(159, 1))
	got := fmt.Sprint(k.Blocks())
	if want := "[5+11 16+16 32+3 48+2 159+1]"; got != want {
		t.Errorf("Blocks() = %s; want %s", got, want)
	}
}

func TestStraight(t *testing.T) {
	got := follow(straight(task(4, sector.Span(0, 48), sector.Span(56, 8))), func(q Request) int64 {
		return map[sector.LBA]int64{0: 16, 16: 3, 32: -1, 56: 8}[q.Range.First]
	})
	if want := []string{"0+16/9", "16+16/9", "32+16/9", "56+8/9"}; !slices.Equal(got, want) {
		t.Errorf("straight asks for %v; want %v", got, want)
	}
}

func TestOracle(t *testing.T) {
	k := task(7, sector.Span(0, 7*16))
	for b, c := range []float64{0.6, 1, 0, 0.995, 0.5, 0.49, 0.994} {
		k.Chances[b].Usual = c
	}
	tries := map[sector.LBA]int{}
	got := follow(oracle(k), func(q Request) int64 {
		at := q.Range.First / 16
		tries[at]++
		switch {
		case at == 0 && tries[at] == 1:
			return 4
		case at == 6 || at == 2 || at == 3:
			return 0
		}
		return q.Range.Count()
	})
	want := []string{"16+16/2", "48+16/2", "0+16/9", "4+12/9", "64+16/9", "96+16/9", "96+16/9", "96+16/9", "32+16/2", "80+16/2"}
	if !slices.Equal(got, want) {
		t.Errorf("the oracle asks for %v; want %v", got, want)
	}
}

// slowStretches is the order told by its words, with the whole history gone
// through at each step.
func slowStretches(k Task, come func(Request) int64) (asked []string) {
	type note struct {
		block sector.Range
		good  bool
	}
	n := k.Info.Sectors / 16
	stretch := func(b sector.Range) int64 { return int64(b.First) / 16 * 256 / n }
	left := k.Blocks()
	var history []note
	var failed []sector.Range
	current := int64(-1)
	for len(left) > 0 {
		if at := slices.IndexFunc(left, func(b sector.Range) bool { return stretch(b) == current }); at < 0 ||
			len(history) > 0 && !history[len(history)-1].good {
			best, record := int64(-1), -1.0
			for _, b := range left {
				good, tried := 1.0, 2.0
				for _, h := range history {
					if stretch(h.block) == stretch(b) {
						tried++
						if h.good {
							good++
						}
					}
				}
				if good/tried > record+1e-12 {
					best, record = stretch(b), good/tried
				}
			}
			current = best
		}
		at := slices.IndexFunc(left, func(b sector.Range) bool { return stretch(b) == current })
		b := left[at]
		left = slices.Delete(left, at, at+1)
		asked = append(asked, fmt.Sprintf("%v/%d", b, k.Least))
		got := come(with(b, k.Least))
		history = append(history, note{b, got == b.Count()})
		if got >= 0 && got < b.Count() {
			failed = append(failed, sector.Range{First: b.First + sector.LBA(got), End: b.End})
		}
	}
	slices.SortFunc(failed, func(a, b sector.Range) int { return int(a.First - b.First) })
	for _, r := range failed {
		asked = append(asked, fmt.Sprintf("%v/%d", r, k.Own))
	}
	return asked
}

func TestStretches(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	for i := range 30 {
		n := 1 + r.Int64N(700)
		var missing []sector.Range
		for range 1 + r.IntN(5) {
			first := r.Int64N(n * 16)
			missing = append(missing, sector.Span(sector.LBA(first), 1+r.Int64N(n*16-first)))
		}
		k := task(n, missing...)
		fate := map[sector.LBA]int64{}
		for b := range n {
			fate[sector.LBA(b)] = int64(r.IntN(60)) - 1
		}
		come := func(q Request) int64 { return min(fate[q.Range.First/16], q.Range.Count()) }
		got, want := follow(newStretches(k), come), slowStretches(k, come)
		if !slices.Equal(got, want) {
			t.Fatalf("case %d, %d blocks: stretches asks for\n%v; want\n%v", i, n, got, want)
		}
	}
}

func TestYardstickNames(t *testing.T) {
	for _, name := range yardsticks {
		make, ok := Yardstick(name)
		if !ok {
			t.Fatalf("Yardstick(%s) is none", name)
		}
		if got := follow(make(task(2)), all); len(got) != 0 {
			t.Errorf("%s with nothing missing asks for %v; want nothing", name, got)
		}
	}
	if _, ok := Yardstick("planned"); ok {
		t.Errorf("Yardstick(planned) is one; want none")
	}
}

func TestBitmap(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	for range 200 {
		m, set := make(bitmap, 20), sector.Set{}
		for range r.IntN(12) {
			a := r.Int64N(320)
			span := sector.Span(sector.LBA(a), r.Int64N(min(60, 320-a)+1))
			if r.IntN(3) > 0 {
				m.add(span)
				set.Add(span)
			} else {
				m.remove(span)
				set.Remove(span)
			}
		}
		got := m.set()
		if !got.Equal(&set) || m.count() != set.Count() {
			t.Fatalf("bitmap = %v; want %v", slices.Collect(got.Runs()), slices.Collect(set.Runs()))
		}
		in := sector.Span(sector.LBA(r.Int64N(200)), r.Int64N(120))
		if got, want := m.countIn(in), set.CountIn(in); got != want {
			t.Fatalf("countIn(%v) = %d; want %d", in, got, want)
		}
	}
}
