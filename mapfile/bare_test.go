package mapfile

import (
	"errors"
	"math/rand/v2"
	"path/filepath"
	"regexp"
	"testing"

	"turnstone/device/sector"
)

// scattered is a map of two passes whose sectors stand here and there, written to a file.
func scattered(t *testing.T) (m *Map, path string) {
	t.Helper()
	const n = 20_000
	r := rand.New(rand.NewPCG(7, 7))
	m = New("scattered")
	m.AddRound(Round{})
	d := Disc{Kind: "dvd", Sectors: n, BlockSectors: 16}
	d.Written.Add(sector.Range{First: 0, End: 3 * n / 8})
	d.Written.Add(sector.Range{First: n / 2, End: n - 5})
	if err := m.SetDisc(d); err != nil {
		t.Fatal(err)
	}
	m.AddDrive(Drive{Node: "A"})
	for pass := range 2 {
		if _, err := m.AddPass(Pass{}); err != nil {
			t.Fatal(err)
		}
		for range 400 {
			run := Run{Range: sector.Span(sector.LBA(r.IntN(n-300)), 1+r.Int64N(200)), Result: Delivered, Attempts: 1}
			sums := make([]uint32, run.Range.Count())
			switch r.IntN(6) {
			case 0, 1:
				run.Result, sums = Failed, nil
			case 2:
				run.Attempts = RepairedAttempts(3)
			}
			if _, err := m.Record(pass, run, sums); err != nil {
				t.Fatal(err)
			}
		}
	}
	path = filepath.Join(t.TempDir(), "map.db")
	if err := Create(path, m); err != nil {
		t.Fatal(err)
	}
	return m, path
}

// TestBare: a bare map tells all that the whole one tells, but for the sums, and takes no
// change.
func TestBare(t *testing.T) {
	whole, path := scattered(t)
	m, err := OpenBare(path)
	if err != nil {
		t.Fatal(err)
	}
	sums := regexp.MustCompile(`(?m)^sums .*\n`)
	wantSame(t, "a bare map", content(m), sums.ReplaceAllString(content(whole), ""))
	var good sector.LBA
	for r := range whole.Ranges(Good, sector.Span(0, 20_000)) {
		good = r.First
	}
	if sum, _, ok := m.Sum(good); ok {
		t.Errorf("Sum(%d) = %x of a bare map; want none", good, sum)
	}
	before := content(m)
	if _, err := m.Record(0, Run{Range: sector.Span(0, 1), Result: Failed, Attempts: 1}, nil); !errors.Is(err, ErrBare) {
		t.Errorf("Record() on a bare map = %v; want %v", err, ErrBare)
	}
	m.Rot(good)
	wantSame(t, "a bare map that was to be changed", content(m), before)
	m.AddRound(Round{})
	if err := m.Commit(path); !errors.Is(err, ErrBare) {
		t.Errorf("Commit() of a bare map = %v; want %v", err, ErrBare)
	}
	if err := Create(path+"2", m); !errors.Is(err, ErrBare) {
		t.Errorf("Create() of a bare map = %v; want %v", err, ErrBare)
	}
	wantSound(t, path)
}

// TestBareKeepsConflicts: conflicts are told by the sums, so that a map with one has them.
func TestBareKeepsConflicts(t *testing.T) {
	whole, path := scattered(t)
	for r := range whole.Ranges(Good, sector.Span(0, 20_000)) {
		if c, err := whole.Record(1, Run{Range: sector.Span(r.First, 1), Result: Delivered, Attempts: 1}, []uint32{1}); err != nil || len(c) != 1 {
			t.Fatalf("Record() = %v, %v; want a conflict", c, err)
		}
		break
	}
	if err := whole.Commit(path); err != nil {
		t.Fatal(err)
	}
	m, err := OpenBare(path)
	if err != nil {
		t.Fatal(err)
	}
	wantSame(t, "a map with a conflict", content(m), content(whole))
}

// TestRunsAreCounted: as many runs are foretold as there are.
func TestRunsAreCounted(t *testing.T) {
	m, _ := scattered(t)
	r := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		in := sector.Span(sector.LBA(r.IntN(20_000)), r.Int64N(3000))
		for _, s := range []State{Untried, Bad, Good} {
			n := 0
			for range m.Ranges(s, in) {
				n++
			}
			if got := m.states.runs(in, picked(s)); got != n {
				t.Errorf("runs of %v in %v = %d; want %d", s, in, got, n)
			}
		}
	}
}
