package mapfile

import (
	"errors"
	"slices"
	"testing"

	"turnstone/device/sector"
)

// disputed is a map with sector 7 good by pass 0, and two passes that brought
// other data of it. The sums are invented.
func disputed(t *testing.T) *Map {
	t.Helper()
	m := newCase(t, 300)
	mustRecord(t, m, 0, sector.Span(0, 300), Failed)
	mustPass(t, m, Pass{Drive: -1, Started: day})
	mustPass(t, m, Pass{Drive: -1, Started: day})
	for pass, sum := range []uint32{10, 11, 12} {
		if _, err := m.Record(pass, Run{Range: sector.Span(7, 1), Result: Merged}, []uint32{sum}); err != nil {
			t.Fatal(err)
		}
	}
	return m
}

// TestDecide settles one conflict for each side: what stands in the end, and
// that it does not come up again.
func TestDecide(t *testing.T) {
	for side, sum := range []uint32{10, 11, 12} {
		m := disputed(t)
		if n := len(m.Conflicts()); n != 2 {
			t.Fatalf("%d conflicts; want 2", n)
		}
		path := mustCreate(t, m)
		if err := m.Decide(7, sum); err != nil {
			t.Fatal(err)
		}
		mustCommit(t, m, path)
		m = mustOpen(t, path)
		want := []Choice{{7, sum, side}}
		if side == 0 {
			want = nil
		}
		if got := m.Choices(); !slices.Equal(got, want) {
			t.Errorf("decided for %d: Choices() = %v; want %v", sum, got, want)
		}
		if got := m.State(7); (got == Good) != (side == 0) {
			t.Errorf("decided for %d: sector is %v before its data is in the image", sum, got)
		}
		if err := m.Take(7); (err == nil) != (side > 0) {
			t.Errorf("decided for %d: Take = %v", sum, err)
		}
		mustCommit(t, m, path)
		m = mustOpen(t, path)
		if got, pass, ok := m.Sum(7); got != sum || pass != side || !ok {
			t.Errorf("decided for %d: Sum = %d, %d, %v; want %d, %d, true", sum, got, pass, ok, sum, side)
		}
		for pass, other := range []uint32{10, 11, 12} {
			if by, ok := m.Brought(7, other); by != pass || !ok {
				t.Errorf("decided for %d: Brought(%d) = %d, %v; want %d", sum, other, by, ok, pass)
			}
			again, err := m.Record(pass, Run{Range: sector.Span(7, 1), Result: Merged}, []uint32{other})
			if err != nil || len(again) > 0 {
				t.Errorf("decided for %d: Record(%d) = %v, %v; want no conflict", sum, other, again, err)
			}
		}
		if n := len(m.Conflicts()); n > 0 {
			t.Errorf("decided for %d: %d conflicts are left; want 0", sum, n)
		}
		if got, want := m.Disputed(), sector.Of(sector.Span(7, 1)); !got.Equal(&want) {
			t.Errorf("decided for %d: Disputed() = %v; want %v", sum, got, want)
		}
		if again, _ := m.Record(2, Run{Range: sector.Span(7, 1), Result: Merged}, []uint32{13}); len(again) != 1 {
			t.Errorf("decided for %d: new data is %v; want 1 conflict", sum, again)
		}
	}
}

// TestDecideOtherwise settles a conflict for each side in turn, again and again.
func TestDecideOtherwise(t *testing.T) {
	m := disputed(t)
	path := mustCreate(t, m)
	for i, side := range []int{1, 0, 2, 2, 1, 0, 0, 2} {
		sum := uint32(10 + side)
		if err := m.Decide(7, sum); err != nil {
			t.Fatalf("step %d: Decide(7, %d) = %v; want nil", i, sum, err)
		}
		if n := len(m.Choices()); n > 0 {
			if err := m.Take(7); err != nil {
				t.Fatal(err)
			}
		}
		mustCommit(t, m, path)
		m = mustOpen(t, path)
		if got, pass, ok := m.Sum(7); got != sum || pass != side || !ok {
			t.Errorf("step %d: Sum = %d, %d, %v; want %d, %d, true", i, got, pass, ok, sum, side)
		}
		if n := len(m.Conflicts()); n > 0 {
			t.Errorf("step %d: %d conflicts; want none", i, n)
		}
		against := m.Settled()
		if len(against) != 2 || against[0].Kept != sum || against[0].Other == sum || against[1].Other == sum {
			t.Errorf("step %d: Settled() = %v; want the two other sides of %d", i, against, sum)
		}
	}
}

// TestForgo leaves the sector untried where the data decided for is lost; the
// next reading stands, and may be in conflict with that data.
func TestForgo(t *testing.T) {
	m := disputed(t)
	if err := m.Decide(7, 11); err != nil {
		t.Fatal(err)
	}
	m.Forgo(7)
	if got := m.State(7); got != Untried || len(m.Choices()) > 0 {
		t.Errorf("state %v, choices %v; want untried, none", got, m.Choices())
	}
	if _, err := m.Record(0, Run{Range: sector.Span(7, 1), Result: Delivered}, []uint32{10}); err != nil {
		t.Fatal(err)
	}
	if got := m.Conflicts(); len(got) != 1 || got[0] != (Conflict{7, 10, 11, 0, 1}) {
		t.Errorf("Conflicts() = %v; want that with 11 of pass 1", got)
	}
}

// TestDecideRefuses what is not there to be decided, and changes nothing.
func TestDecideRefuses(t *testing.T) {
	m := disputed(t)
	before := content(m)
	for _, test := range []struct {
		at  sector.LBA
		sum uint32
	}{{7, 13}, {8, 10}, {-1, 10}, {300, 10}, {7 + pageSectors<<32, 11}} {
		if err := m.Decide(test.at, test.sum); !errors.Is(err, ErrUnknown) {
			t.Errorf("Decide(%d, %d) = %v; want ErrUnknown", test.at, test.sum, err)
		}
		if err := m.Take(test.at); !errors.Is(err, ErrUnknown) {
			t.Errorf("Take(%d) = %v; want ErrUnknown", test.at, err)
		}
		m.Forgo(test.at)
	}
	wantSame(t, "after refusals", content(m), before)
}
