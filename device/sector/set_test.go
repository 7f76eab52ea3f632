package sector

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
)

// bitmap is the model that Set is held against: one bool for each sector.
type bitmap [modelSectors]bool

const modelSectors = 96

func (m *bitmap) fill(r Range, v bool) {
	for a := range m {
		if r.Contains(LBA(a)) {
			m[a] = v
		}
	}
}

func (m *bitmap) join(o *bitmap, in func(a, b bool) bool) bitmap {
	var out bitmap
	for a := range m {
		out[a] = in(m[a], o[a])
	}
	return out
}

// runs is the maximal runs of what m shares with r.
func (m *bitmap) runs(r Range) []Range {
	var out []Range
	for a := range m {
		if !m[a] || !r.Contains(LBA(a)) {
			continue
		}
		if n := len(out); n > 0 && out[n-1].End == LBA(a) {
			out[n-1].End++
		} else {
			out = append(out, Span(LBA(a), 1))
		}
	}
	return out
}

func (m *bitmap) count(r Range) (n int64) {
	for _, part := range m.runs(r) {
		n += part.Count()
	}
	return n
}

// compare checks the set's inner order and what every query says, with r and a
// as what is asked about.
func compare(t *testing.T, s *Set, m *bitmap, r Range, a LBA) {
	t.Helper()
	everywhere := Range{0, modelSectors}
	runs := m.runs(everywhere)
	if !slices.Equal(s.runs, runs) {
		t.Fatalf("runs = %v; want %v", s.runs, runs)
	}
	if got := slices.Collect(s.Runs()); !slices.Equal(got, runs) {
		t.Fatalf("Runs() = %v; want %v", got, runs)
	}
	if s.Len() != len(runs) || s.Empty() != (len(runs) == 0) || s.Count() != m.count(everywhere) {
		t.Fatalf("Len, Empty, Count of %v = %d, %v, %d", runs, s.Len(), s.Empty(), s.Count())
	}
	var bounds Range
	if len(runs) > 0 {
		bounds = Range{runs[0].First, runs[len(runs)-1].End}
	}
	if s.Bounds() != bounds {
		t.Fatalf("Bounds() of %v = %v; want %v", runs, s.Bounds(), bounds)
	}
	if got := s.Contains(a); got != (a >= 0 && a < modelSectors && m[a]) {
		t.Fatalf("Contains(%d) of %v = %v", a, runs, got)
	}
	in := m.runs(r)
	if got := slices.Collect(s.In(r)); !slices.Equal(got, in) {
		t.Fatalf("In(%v) of %v = %v; want %v", r, runs, got, in)
	}
	for part := range s.In(r) { // leaving early is allowed
		if part != in[0] {
			t.Fatalf("In(%v) of %v begins with %v; want %v", r, runs, part, in[0])
		}
		break
	}
	n := m.count(r)
	if s.CountIn(r) != n || s.Overlaps(r) != (n > 0) || s.Covers(r) != (n == r.Count()) {
		t.Fatalf("CountIn, Overlaps, Covers(%v) of %v = %d, %v, %v", r, runs, s.CountIn(r), s.Overlaps(r), s.Covers(r))
	}
	var next Range
	if rest := m.runs(Range{a, modelSectors}); len(rest) > 0 {
		next = rest[0]
	}
	if got, ok := s.Next(a); got != next || ok != !next.Empty() {
		t.Fatalf("Next(%d) of %v = %v, %v; want %v", a, runs, got, ok, next)
	}
}

// play takes steps from data, three bytes each: what to do, and with which
// range. It does them to two sets and to their models, and compares after each.
func play(t *testing.T, data []byte) {
	t.Helper()
	var s, o Set
	var m, n bitmap
	for len(data) >= 3 {
		r := Span(LBA(data[1]%modelSectors), min(int64(data[2]%24), modelSectors-int64(data[1]%modelSectors)))
		if data[2] >= 0xF0 {
			r = Range{r.End, r.First} // turned round: holds nothing
		}
		before, beforeO := s.Clone(), o.Clone()
		step := data[0] % 8
		switch step {
		case 0, 1:
			s.Add(r)
			m.fill(r, true)
		case 2:
			s.Remove(r)
			m.fill(r, false)
		case 3:
			s, o, m, n = o, s, n, m
			before, beforeO = beforeO, before
		case 4:
			s, m = s.Union(&o), m.join(&n, func(a, b bool) bool { return a || b })
		case 5:
			s, m = s.Intersect(&o), m.join(&n, func(a, b bool) bool { return a && b })
		case 6:
			s, m = s.Subtract(&o), m.join(&n, func(a, b bool) bool { return a && !b })
		case 7:
			// Of everything in both, from behind, with one range more and one of nothing.
			parts := append(slices.Concat(s.runs, o.runs), r, Range{9, 3})
			slices.Reverse(parts)
			s, m = Of(parts...), m.join(&n, func(a, b bool) bool { return a || b })
			m.fill(r, true)
		}
		compare(t, &s, &m, r, r.First)
		compare(t, &s, &m, Range{r.First - 3, r.End + 3}, r.End)
		compare(t, &o, &n, r, r.First-1)
		if s.Equal(&o) != (m == n) || !s.Equal(&s) {
			t.Fatalf("%v.Equal(%v) = %v; want %v", s.runs, o.runs, s.Equal(&o), m == n)
		}
		// A clone and the other set stay as they were.
		if !beforeO.Equal(&o) {
			t.Fatalf("step %d with %v changed the other set from %v to %v", step, r, beforeO.runs, o.runs)
		}
		apart := s.Clone()
		before.Add(Range{0, modelSectors})
		before.Remove(Range{1, modelSectors - 1})
		if !apart.Equal(&s) {
			t.Fatalf("after step %d a change of the clone changed %v to %v", step, apart.runs, s.runs)
		}
		data = data[3:]
	}
}

func TestSetAgainstBitmap(t *testing.T) {
	for seed := range uint64(300) {
		random := rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8)})
		data := make([]byte, 3*60)
		random.Read(data)
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) { play(t, data) })
	}
}

func FuzzSet(f *testing.F) {
	f.Add([]byte{0, 3, 5, 0, 9, 5, 2, 5, 7, 3, 0, 0, 0, 7, 4, 4, 0, 0, 5, 0, 0, 6, 0, 0})
	f.Add([]byte{0, 0, 16, 0, 16, 16, 2, 8, 16, 7, 90, 23, 6, 1, 0xF7})
	f.Fuzz(func(t *testing.T, data []byte) { play(t, data[:min(len(data), 300)]) })
}

func TestSetTables(t *testing.T) {
	s := Of(Range{20, 30}, Range{0, 4}, Range{4, 8}, Range{25, 27}, Range{9, 9}, Range{12, 10})
	check := func(what string, s Set, want ...Range) {
		t.Helper()
		if !slices.Equal(s.runs, want) {
			t.Errorf("%s = %v; want %v", what, s.runs, want)
		}
	}
	check("Of touching, overlapping and empty ranges", s, Range{0, 8}, Range{20, 30})
	o := Of(Range{6, 22}, Range{29, 40})
	check("Union", s.Union(&o), Range{0, 40})
	check("Intersect", s.Intersect(&o), Range{6, 8}, Range{20, 22}, Range{29, 30})
	check("Subtract", s.Subtract(&o), Range{0, 6}, Range{22, 29})
	check("Subtract the other way", o.Subtract(&s), Range{8, 20}, Range{30, 40})
	var none Set
	check("Union with nothing", none.Union(&s), s.runs...)
	check("Intersect with nothing", s.Intersect(&none))
	check("Subtract nothing", s.Subtract(&none), s.runs...)
	check("Subtract itself", s.Subtract(&s))
	check("Of nothing", Of())

	bridge := s.Clone()
	bridge.Add(Range{8, 20})
	check("Add between two runs", bridge, Range{0, 30})
	hole := bridge.Clone()
	hole.Remove(Range{10, 12})
	check("Remove within a run", hole, Range{0, 10}, Range{12, 30})
	hole.Remove(Range{0, 10})
	check("Remove a whole run", hole, Range{12, 30})
	hole.Remove(Range{0, 100})
	check("Remove all", hole)
}

// The benchmarks take the largest sets that a dual-layer disc (4.2 M sectors)
// can come to: every second ECC block, and every second sector.
func BenchmarkSet(b *testing.B) {
	const disc = 4_200_000
	for _, c := range []struct {
		name  string
		piece int64
	}{{"pieces=block", 16}, {"pieces=sector", 1}} {
		var parts []Range
		for a := int64(0); a < disc; a += 2 * c.piece {
			parts = append(parts, Span(LBA(a), c.piece))
		}
		all, s := Of(Range{0, disc}), Of(parts...)
		o := all.Subtract(&s)
		b.Run("op=Of/"+c.name, func(b *testing.B) {
			for b.Loop() {
				Of(parts...)
			}
		})
		b.Run("op=Union/"+c.name, func(b *testing.B) {
			for b.Loop() {
				s.Union(&o)
			}
		})
		b.Run("op=Intersect/"+c.name, func(b *testing.B) {
			for b.Loop() {
				s.Intersect(&o)
			}
		})
		b.Run("op=Subtract/"+c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				all.Subtract(&s)
			}
		})
		b.Run("op=SubtractFromOneBlock/"+c.name, func(b *testing.B) {
			block := Of(Range{disc / 2, disc/2 + 16})
			for b.Loop() {
				block.Subtract(&s)
			}
		})
		b.Run("op=Contains/"+c.name, func(b *testing.B) {
			a := LBA(0)
			for b.Loop() {
				s.Contains(a)
				a = (a + 104_729) % disc
			}
		})
		b.Run("op=RemoveAndAdd/"+c.name, func(b *testing.B) {
			edited, a := s.Clone(), int64(0)
			for b.Loop() {
				r := Span(LBA(a), c.piece)
				edited.Remove(r)
				edited.Add(r)
				a = (a + 104_730*c.piece) % disc / (2 * c.piece) * 2 * c.piece
			}
		})
	}
}

// TestGrow: a set grown for some runs takes no memory for them any more, and is the same
// set.
func TestGrow(t *testing.T) {
	want := Of(Span(5, 2), Span(100, 1))
	got := want.Clone()
	got.Grow(50)
	if !got.Equal(&want) {
		t.Errorf("a grown set = %v; want %v", slices.Collect(got.Runs()), slices.Collect(want.Runs()))
	}
	next := LBA(200)
	if n := testing.AllocsPerRun(1, func() { // twice: 25 runs each
		for range 25 {
			got.Add(Span(next, 1))
			next += 2
		}
	}); n != 0 {
		t.Errorf("adding to a grown set allocates %v times; want 0", n)
	}
}
