package plan

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

const toTheEnd = math.MaxInt

// TestInvariants: whatever the disc, how many are outstanding and in which order
// their outcomes come, every request keeps the rules (see checker), and at the
// end everything was asked for. The next pass then has nothing new to ask.
func TestInvariants(t *testing.T) {
	scenes(t, 400, false, true, func(t *testing.T, r *rand.Rand, s scene) {
		s.byPlace(r)
		s.drive.ragged = r.IntN(2) == 0
		b := newTable(t, s.task, s.drive)
		b.depth, b.rand, b.lose = 1+r.IntN(4), r, r.IntN(2)*7
		b.pass(toTheEnd)
		if again := ToAsk(b.task); !again.Empty() {
			t.Errorf("ToAsk after a complete pass holds %d sectors, from %v", again.Count(), again.Bounds())
		}
		p := New(b.task)
		if q, step := p.Next(); step != Done || p.Left() != 0 || !strings.Contains(p.End().Why, "nothing") {
			t.Errorf("a pass with nothing to ask: %+v, step %d, Left %d, %+v", q, step, p.Left(), p.End())
		}
		b.task.Again, b.lose = true, 0
		b.pass(toTheEnd)
		b.task.Again, b.task.Only = false, sector.Set{}
		b.pass(toTheEnd)
	})
}

// TestSameEnd: the size of requests, the number outstanding, the order of their
// outcomes and any number of restarts make no difference to what is good, what
// is bad, and what was asked for alone.
func TestSameEnd(t *testing.T) {
	scenes(t, 200, false, true, func(t *testing.T, r *rand.Rand, s scene) {
		s.byPlace(r)
		want := newTable(t, s.task, s.drive)
		want.pass(toTheEnd)
		for range 6 {
			b := newTable(t, s.task, s.drive)
			b.task.Disc.Largest = s.task.Disc.Block * (1 + r.Int64N(20))
			b.drive.address = r.IntN(2) == 0
			b.depth, b.rand, b.lose = 1+r.IntN(4), r, r.IntN(2)*9
			restarts := r.IntN(5)
			for range restarts {
				b.pass(1 + r.IntN(1+len(s.drive.hard)/2))
			}
			b.pass(toTheEnd)
			sameFates(t, b, want)
		}
	})
}

// TestRestartEverywhere cuts a pass off after every number of outcomes.
func TestRestartEverywhere(t *testing.T) {
	scenes(t, 60, true, true, func(t *testing.T, r *rand.Rand, s scene) {
		s.byPlace(r)
		want := newTable(t, s.task, s.drive)
		total := len(want.pass(toTheEnd))
		for cut := range total {
			b := newTable(t, s.task, s.drive)
			b.depth = 1 + cut%3
			b.pass(cut)
			b.pass(toTheEnd)
			sameFates(t, b, want)
		}
	})
}

// TestToAsk: once every block was asked for, ToAsk is exactly what is asked for if
// every sector comes from then on, and Left counts it down.
func TestToAsk(t *testing.T) {
	seen, cut, ended := 0, 0, 0
	scenes(t, 300, false, true, func(t *testing.T, r *rand.Rand, s scene) {
		s.byPlace(r)
		whole := newTable(t, s.task, s.drive)
		total := len(whole.pass(toTheEnd))
		b := newTable(t, s.task, s.drive)
		b.pass(total - r.IntN(2)*r.IntN(1+total/2))
		seen++
		w := workOf(b.task)
		owed, may := w.owed(), ToAsk(b.task)
		switch {
		case !w.fresh.Empty():
			return
		case !owed.Empty() && may.Empty():
			ended++
		case !owed.Empty():
			cut++
		}
		p := New(b.task)
		left := may.Clone()
		for q, step := p.Next(); step == Ask; q, step = p.Next() {
			if p.Left() != left.Count() {
				t.Fatalf("Left() = %d at request %v; want %d", p.Left(), q.Range, left.Count())
			}
			left.Remove(q.Range)
			p.Note(Outcome{Request: q, Good: 1})
		}
		if !left.Empty() {
			t.Errorf("of ToAsk %v was not asked for", slices.Collect(left.Runs()))
		}
	})
	if seen == 300 && (cut < 20 || ended < 5) {
		t.Errorf("%d scenes were cut off among failed blocks, %d ended early among them: too few to tell", cut, ended)
	}
}

func sameFates(t *testing.T, got, want *table) {
	t.Helper()
	if !got.task.Good.Equal(&want.task.Good) {
		t.Fatalf("good = %v; want %v", slices.Collect(got.task.Good.Runs()), slices.Collect(want.task.Good.Runs()))
	}
	for a := range want.all {
		if got.all[a] != want.all[a] {
			t.Fatalf("sector %d fared %+v; want %+v", a, got.all[a], want.all[a])
		}
	}
}

// TestRaggedBlur: a drive that names no address and delivers parts of blocks can
// change which sectors are asked for alone, but not what is good or bad where
// every sector either comes or does not.
func TestRaggedBlur(t *testing.T) {
	scenes(t, 200, false, false, func(t *testing.T, r *rand.Rand, s scene) {
		s.byPlace(r)
		s.drive.soft, s.drive.lead = make([]bool, len(s.drive.soft)), true
		want := newTable(t, s.task, s.drive)
		want.pass(toTheEnd)
		s.drive.ragged, s.drive.address = true, false
		b := newTable(t, s.task, s.drive)
		b.task.Disc.Largest = s.task.Disc.Block * (1 + r.Int64N(20))
		b.depth, b.rand = 1+r.IntN(4), r
		b.pass(toTheEnd)
		if !b.task.Good.Equal(&want.task.Good) {
			t.Errorf("good = %v; want %v", slices.Collect(b.task.Good.Runs()), slices.Collect(want.task.Good.Runs()))
		}
	})
}

// script makes decisions of bytes; without any left it decides 0.
type script []byte

func (s *script) pick(n int) int {
	if len(*s) == 0 || n < 1 {
		return 0
	}
	b := int((*s)[0])
	*s = (*s)[1:]
	return b % n
}

// number is a small number, now and then one that makes no sense.
func (s *script) number(n int64) int64 {
	switch s.pick(8) {
	case 6:
		return -n
	case 7:
		return []int64{math.MaxInt64, math.MinInt64, 1 << 50, -1}[s.pick(4)]
	}
	return int64(s.pick(int(n) + 1))
}

func (s *script) ranges(n int) (out []sector.Range) {
	for range s.pick(n) {
		out = append(out, sector.Span(sector.LBA(s.number(200)), s.number(70)))
	}
	return out
}

// FuzzPlan: whatever the task says and whatever is noted, nothing panics, no
// request covers a sector that is good or outstanding or lies outside ToAsk, and
// once the outcomes make sense the plan comes to its end.
func FuzzPlan(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte("a case of sixteen and some sectors, and outcomes that are as they come"))
	f.Add([]byte{2, 3, 1, 0, 60, 0, 60, 2, 0, 16, 0, 4, 0, 9, 9, 9, 0, 0, 1, 1, 3, 0, 200, 5, 5, 5, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11})
	f.Fuzz(func(t *testing.T, data []byte) {
		s := script(data[:min(len(data), 2000)])
		task := Task{Disc: Disc{Block: s.number(16), Largest: s.number(100), WholeBlocks: s.pick(4) == 0}, Again: s.pick(8) == 1}
		task.Disc.Written = sector.Of(append(s.ranges(3), sector.Span(0, s.number(255)))...)
		task.Good, task.Only = sector.Of(s.ranges(6)...), sector.Of(s.ranges(3)...)
		for range s.pick(3) {
			past := Past{Round: s.pick(2), Drive: s.pick(2)}
			for _, r := range s.ranges(12) {
				past.Runs = append(past.Runs, mapfile.Run{Range: r, Result: mapfile.Result(s.pick(8)), Alone: s.pick(2) == 0})
			}
			task.History = append(task.History, past)
		}
		// Blocks of a million sectors, or a disc of 2^50: nothing that a test can
		// follow to the end.
		may := ToAsk(task)
		hopeless := may.Count() > 1000
		p := New(task)
		if p.Left() != may.Count() {
			t.Fatalf("Left() = %d at the start; want %d", p.Left(), may.Count())
		}
		var out []Request
		came := task.Good.Clone()
		for steps := 0; ; steps++ {
			q, step := p.Next()
			if step == Ask {
				if q.Range.Empty() || !may.Covers(q.Range) || came.Overlaps(q.Range) {
					t.Fatalf("request %+v is empty, not in ToAsk, or good", q)
				}
				for _, o := range out {
					if o.Range.Overlaps(q.Range) {
						t.Fatalf("request %v while %v is outstanding", q.Range, o.Range)
					}
				}
				out = append(out, q)
			}
			if step == Wait && len(out) == 0 || step == Done && len(out) > 0 {
				t.Fatalf("step %d with %d outstanding", step, len(out))
			}
			if step == Done || hopeless && len(s) == 0 {
				return
			}
			if steps > 20_000 {
				t.Fatalf("no end after %d steps", steps)
			}
			if step == Ask && len(out) < 4 && s.pick(2) == 1 {
				continue
			}
			i := s.pick(len(out))
			o := Outcome{Request: out[i], Failed: out[i].Range.Count(), Result: mapfile.Failed}
			if len(s) > 0 {
				o = Outcome{Request: out[i], Good: s.number(17), Failed: s.number(17),
					Result: mapfile.Result(s.pick(7)), Blur: s.pick(4) == 0}
				if s.pick(16) == 15 {
					o.Request.Range.First += sector.LBA(s.number(20)) // of nothing that was asked
				}
			}
			p.Note(o)
			if o.Request == out[i] {
				came.Add(sector.Span(o.Request.Range.First, min(o.Good, o.Request.Range.Count())))
				out = append(out[:i], out[i+1:]...)
			}
			if p.Left() < 0 {
				t.Fatalf("Left() = %d", p.Left())
			}
		}
	})
}
