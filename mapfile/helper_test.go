package mapfile

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
)

// content is everything that a map tells, as text: two maps with the same text
// hold the same.
func content(m *Map) string {
	var b strings.Builder
	put := func(name string, v any) {
		text, err := json.Marshal(v)
		if err != nil {
			fmt.Fprintf(&b, "%s: %v\n", name, err)
			return
		}
		fmt.Fprintf(&b, "%s %s\n", name, text)
	}
	put("case", m.CaseID())
	put("disc", recordOf(m.Disc()))
	put("wanted", wantedRecordOf(m.Wanted()))
	put("closing", m.Closing())
	put("rounds", m.Rounds())
	put("drives", m.Drives())
	put("passes", m.Passes())
	put("conflicts", m.Conflicts())
	disc := sector.Range{End: sector.LBA(m.Disc().Sectors)}
	for _, s := range []State{Untried, Bad, Good} {
		fmt.Fprintf(&b, "%v %d:", s, m.Count(s))
		for r := range m.Ranges(s, disc) {
			fmt.Fprintf(&b, " %v", r)
		}
		fmt.Fprintln(&b)
	}
	for r, sums := range m.Sums(disc) {
		fmt.Fprintf(&b, "sums %v %x\n", r, sums)
	}
	for pass := range m.Passes() {
		set := m.WonSet(pass)
		fmt.Fprintf(&b, "pass %d won %d:", pass, m.Won(pass))
		for r := range set.Runs() {
			fmt.Fprintf(&b, " %v", r)
		}
		fmt.Fprintln(&b)
		for r := range m.Runs(pass) {
			fmt.Fprintf(&b, "\t%+v\n", r)
		}
		for r := range m.Repairs(pass) {
			fmt.Fprintf(&b, "\trepaired %+v\n", r)
		}
	}
	return b.String()
}

// wantSame fails the test at the first line in which two contents differ.
func wantSame(tb testing.TB, what, got, want string) {
	tb.Helper()
	if got == want {
		return
	}
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			tb.Fatalf("%s: line %d is\n%s\nwant\n%s", what, i, g[i], w[i])
		}
	}
	tb.Fatalf("%s: %d lines; want %d", what, len(g), len(w))
}

// wantSound fails the test if the file at path has problems.
func wantSound(tb testing.TB, path string) {
	tb.Helper()
	problems, err := Check(path)
	if err != nil || len(problems) > 0 {
		tb.Fatalf("Check(%q) = %q, %v; want no problems", path, problems, err)
	}
}

// mustOpen opens the map at path.
func mustOpen(tb testing.TB, path string) *Map {
	tb.Helper()
	m, err := Open(path)
	if err != nil {
		tb.Fatalf("Open: %v", err)
	}
	return m
}

// mustCreate creates a file for m, which is checked when the test ends.
func mustCreate(tb testing.TB, m *Map) (path string) {
	tb.Helper()
	path = filepath.Join(tb.TempDir(), "map.db")
	if err := Create(path, m); err != nil {
		tb.Fatalf("Create: %v", err)
	}
	tb.Cleanup(func() { wantSound(tb, path) })
	return path
}

func mustCommit(tb testing.TB, m *Map, path string) {
	tb.Helper()
	if err := m.Commit(path); err != nil {
		tb.Fatalf("Commit: %v", err)
	}
}

// newCase is a map of a disc that is written from its start to its end, with
// one pass begun.
func newCase(tb testing.TB, sectors int64) *Map {
	tb.Helper()
	m := New("case 7")
	d := Disc{Kind: "dvd", Sectors: sectors, BlockSectors: 16, Written: sector.Of(sector.Span(0, sectors))}
	if err := m.SetDisc(d); err != nil {
		tb.Fatal(err)
	}
	m.AddRound(Round{Opened: day})
	m.AddDrive(Drive{Node: "/dev/sr0"})
	mustPass(tb, m, Pass{Started: day})
	return m
}

// day is an invented time.
var day = time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)

func mustPass(tb testing.TB, m *Map, p Pass) int {
	tb.Helper()
	n, err := m.AddPass(p)
	if err != nil {
		tb.Fatalf("AddPass: %v", err)
	}
	return n
}

// sumsOf is invented sums for the sectors of r; another source has other sums.
func sumsOf(r sector.Range, source uint32) []uint32 {
	sums := make([]uint32, 0, r.Count())
	for a := r.First; a < r.End; a++ {
		sums = append(sums, (uint32(a)+1)*2654435761+source)
	}
	return sums
}

// mustRecord records a run, with sums of source 0 where it came.
func mustRecord(tb testing.TB, m *Map, pass int, r sector.Range, result Result) {
	tb.Helper()
	var sums []uint32
	if result.Came() {
		sums = sumsOf(r, 0)
	}
	if _, err := m.Record(pass, Run{Range: r, Result: result, Attempts: 1, Took: 90}, sums); err != nil {
		tb.Fatal(err)
	}
}

func mustRead(tb testing.TB, path string) []byte {
	tb.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	return data
}
