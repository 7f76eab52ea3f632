package mapfile

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"testing"

	"turnstone/device/sector"
)

// wantError fails the test if err is not the one wanted, or the map has changed.
func wantError(t *testing.T, what string, m *Map, before string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) || err == nil {
		t.Errorf("%s = %v; want %v", what, err, want)
	}
	wantSame(t, what, content(m), before)
}

func TestSetDisc(t *testing.T) {
	m := New("c")
	if d := m.Disc(); d.Kind != "unknown" || d.Sectors != 0 || !d.Written.Empty() || m.Count(Untried) != 0 {
		t.Errorf("Disc of a new map = %+v; want an unknown one", d)
	}
	written := sector.Of(sector.Span(0, 100), sector.Span(200, 100))
	d := Disc{Kind: "cd", Sectors: 1000, BlockSectors: 1, Written: written, Identity: map[string]string{"toc": "1"}}
	if err := m.SetDisc(d); err != nil {
		t.Fatalf("SetDisc = %v; want nil", err)
	}
	d.Written.Add(sector.Span(400, 5)) // neither the caller's
	d.Identity["toc"] = "2"
	got := m.Disc()
	got.Written.Add(sector.Span(500, 5)) // nor the copy is the map's own
	got.Identity["toc"] = "3"
	if got := m.Disc(); got.Written.Count() != 200 || got.Identity["toc"] != "1" {
		t.Errorf("Disc = %+v; want 200 sectors written, toc 1", got)
	}
	m.AddRound(Round{Opened: day})
	pass := mustPass(t, m, Pass{Drive: -1})
	mustRecord(t, m, pass, sector.Span(90, 20), Merged) // 10 of them beyond the written area
	mustRecord(t, m, pass, sector.Span(290, 1), Failed)
	counts := func() [3]int64 { return [3]int64{m.Count(Untried), m.Count(Bad), m.Count(Good)} }
	if got, want := counts(), [3]int64{189, 1, 10}; got != want || m.Won(pass) != 20 {
		t.Errorf("counts %v, won %d; want %v, 20", got, m.Won(pass), want)
	}
	before := content(m)
	area := func(ranges ...sector.Range) Disc {
		return Disc{Kind: "cd", Sectors: 1000, BlockSectors: 1, Written: sector.Of(ranges...)}
	}
	for name, test := range map[string]struct {
		disc Disc
		want error
	}{
		"smaller":             {Disc{Sectors: 999, Written: written}, ErrShrinks},
		"unknown again":       {Disc{}, ErrShrinks},
		"less than nothing":   {Disc{Sectors: -1}, ErrInvalid},
		"more than any":       {Disc{Sectors: maxSectors + 1}, ErrInvalid},
		"blocks below 0":      {Disc{Sectors: 1000, BlockSectors: -1}, ErrInvalid},
		"written beyond":      {area(sector.Span(0, 1001)), ErrOutside},
		"written below 0":     {area(sector.Range{First: -1, End: 100}), ErrOutside},
		"good sectors lost":   {area(sector.Span(0, 99), sector.Span(200, 100)), ErrLoses},
		"all of them":         {area(), ErrLoses},
		"a good one in front": {area(sector.Span(91, 300)), ErrLoses},
	} {
		wantError(t, name, m, before, m.SetDisc(test.disc), test.want)
	}
	if err := m.SetDisc(area(sector.Span(80, 25))); err != nil { // what is not good may leave
		t.Errorf("SetDisc of less = %v; want nil", err)
	}
	if got, want := counts(), [3]int64{10, 0, 15}; got != want {
		t.Errorf("counts %v; want %v", got, want)
	}
	grown := area(sector.Span(80, 25), sector.Span(1000, 500))
	grown.Sectors = 1500
	if err := m.SetDisc(grown); err != nil {
		t.Errorf("SetDisc of more = %v; want nil", err)
	}
	if got, want := counts(), [3]int64{510, 0, 15}; got != want {
		t.Errorf("counts %v; want %v", got, want)
	}
}

func TestRecordErrors(t *testing.T) {
	m := newCase(t, 1000)
	mustRecord(t, m, 0, sector.Span(0, 10), Delivered)
	before := content(m)
	run := func(first sector.LBA, n int64, result Result) Run {
		return Run{Range: sector.Span(first, n), Result: result}
	}
	settings := run(0, 1, Failed)
	settings.Settings = 1
	for name, test := range map[string]struct {
		pass int
		run  Run
		sums int
		want error
	}{
		"no such pass":      {1, run(0, 1, Failed), 0, ErrUnknown},
		"pass below 0":      {-1, run(0, 1, Failed), 0, ErrUnknown},
		"no sector":         {0, run(5, 0, Failed), 0, ErrOutside},
		"below 0":           {0, run(-1, 2, Failed), 0, ErrOutside},
		"beyond the disc":   {0, run(999, 2, Failed), 0, ErrOutside},
		"no result":         {0, run(0, 1, 0), 0, ErrInvalid},
		"unknown result":    {0, run(0, 1, 6), 0, ErrInvalid},
		"too few sums":      {0, run(20, 5, Delivered), 4, ErrInvalid},
		"too many sums":     {0, run(20, 5, Merged), 6, ErrInvalid},
		"sums of a failure": {0, run(20, 5, Stalled), 5, ErrInvalid},
		"unknown settings":  {0, settings, 0, ErrUnknown},
	} {
		_, err := m.Record(test.pass, test.run, make([]uint32, test.sums))
		wantError(t, name, m, before, err, test.want)
	}
	if _, err := New("c").Record(0, run(0, 1, Failed), nil); !errors.Is(err, ErrUnknown) {
		t.Errorf("Record in an empty map = %v; want %v", err, ErrUnknown)
	}
}

func TestRecords(t *testing.T) {
	m := newCase(t, 1000)
	before := content(m)
	for name, test := range map[string]struct {
		err, want error
	}{
		"SetRound":              {m.SetRound(1, Round{}), ErrUnknown},
		"SetRound below 0":      {m.SetRound(-1, Round{}), ErrUnknown},
		"SetPass":               {m.SetPass(1, Pass{}), ErrUnknown},
		"SetPass, no round":     {m.SetPass(0, Pass{Round: 1}), ErrUnknown},
		"AddPass, no round":     {second(m.AddPass(Pass{Round: 1})), ErrUnknown},
		"AddPass, no drive":     {second(m.AddPass(Pass{Drive: 1})), ErrUnknown},
		"AddPass, drive -2":     {second(m.AddPass(Pass{Drive: -2})), ErrUnknown},
		"AddPass, no number":    {second(m.AddPass(Pass{Seconds: math.NaN()})), ErrInvalid},
		"AddPass, 257 settings": {second(m.AddPass(Pass{Settings: make([]Settings, 257)})), ErrInvalid},
	} {
		wantError(t, name, m, before, test.err, test.want)
	}
	pass := mustPass(t, m, Pass{Started: day, Settings: make([]Settings, 2)})
	before = content(m)
	wantError(t, "SetPass with fewer settings", m, before, m.SetPass(pass, Pass{Settings: make([]Settings, 1)}), ErrInvalid)
	m.Passes()[pass].Settings[0].SpeedKBps = 5 // a copy
	m.Rounds()[0].Opened = day.AddDate(1, 0, 0)
	wantSame(t, "after changing copies", content(m), before)
	odd := Round{Opened: day, Grams: math.NaN(), Treatments: []Treatment{{Typed: "clean", ToMM: math.Inf(1), FromMM: 22}}}
	if err := m.SetRound(0, odd); err != nil {
		t.Errorf("SetRound = %v; want nil", err)
	}
	n := m.AddRound(odd)
	for _, got := range []Round{m.Rounds()[0], m.Rounds()[n]} {
		if got.Grams != 0 || len(got.Treatments) != 1 || got.Treatments[0] != (Treatment{Typed: "clean", FromMM: 22}) {
			t.Errorf("round %+v; want its treatment, without what is no number", got)
		}
	}
	for len(m.passes) < maxPasses {
		m.passes, m.states.won, m.runs = append(m.passes, Pass{}), append(m.states.won, 0), append(m.runs, sparse[[]byte]{})
	}
	if _, err := m.AddPass(Pass{}); !errors.Is(err, ErrFull) {
		t.Errorf("AddPass to a full map = %v; want %v", err, ErrFull)
	}
	mustRecord(t, m, maxPasses-1, sector.Span(7, 1), Delivered)
	if _, won, ok := m.Sum(7); won != maxPasses-1 || !ok {
		t.Errorf("Sum(7) names pass %d, %v; want %d", won, ok, maxPasses-1)
	}
}

func second[T any](_ T, err error) error { return err }

// TestConflicts goes through the life of a conflict.
func TestConflicts(t *testing.T) {
	m := newCase(t, 300)
	path := mustCreate(t, m)
	merge := mustPass(t, m, Pass{Drive: -1})
	r := sector.Span(100, 100)
	mustRecord(t, m, 0, r, Delivered)
	all := Run{Range: r, Result: Merged}
	for _, pass := range []int{merge, merge, 0} { // known ones are told again, kept once
		got, err := m.Record(pass, all, sumsOf(r, 1))
		if err != nil || len(got) != 100 {
			t.Fatalf("Record = %d conflicts, %v; want 100", len(got), err)
		}
		want := Conflict{100, sumsOf(r, 0)[0], sumsOf(r, 1)[0], 0, merge}
		if got[0] != want || len(m.Conflicts()) != 100 {
			t.Errorf("conflict %+v, %d in all; want %+v, 100", got[0], len(m.Conflicts()), want)
		}
	}
	if got, err := m.Record(merge, all, sumsOf(r, 0)); err != nil || len(got) != 0 {
		t.Errorf("Record of the same data = %v, %v; want no conflict", got, err)
	}
	if m.Won(0) != 100 || m.Won(merge) != 0 {
		t.Errorf("won %d, %d; want 100, 0", m.Won(0), m.Won(merge))
	}
	// A sector that rotted is not in conflict, nor one that took the other data.
	m.Rot(150)
	if got := m.Conflicts(); len(got) != 99 || m.State(150) != Untried {
		t.Errorf("%d conflicts after one rotted, which is %v; want 99, untried", len(got), m.State(150))
	}
	mustCommit(t, m, path)
	one := sector.Span(150, 1)
	if got, err := m.Record(merge, Run{Range: one, Result: Merged}, sumsOf(r, 1)[50:51]); err != nil || len(got) != 0 || len(m.Conflicts()) != 99 {
		t.Errorf("Record = %v, %v, %d in all; want no conflict, 99", got, err, len(m.Conflicts()))
	}
	// The first data is now the other data.
	if got, err := m.Record(0, Run{Range: one, Result: Delivered}, sumsOf(r, 0)[50:51]); err != nil || len(got) != 1 || got[0].KeptPass != merge {
		t.Errorf("Record = %v, %v; want one conflict, kept from pass %d", got, err, merge)
	}
	mustCommit(t, m, path)
	if got, want := mustOpen(t, path).Conflicts(), m.Conflicts(); !slices.Equal(got, want) || len(got) != 100 {
		t.Errorf("reopened with conflicts %v; want %v, 100 of them", got, want)
	}
}

// TestManyWinners has each sector of a page won by another pass, and asked for
// with another outcome: the longest values there are.
func TestManyWinners(t *testing.T) {
	m := newCase(t, 600)
	path := mustCreate(t, m)
	for a := range sector.LBA(600) {
		pass := mustPass(t, m, Pass{})
		mustRecord(t, m, pass, sector.Span(a, 1), Delivered)
		run := Run{Range: sector.Span(a, 1), Result: Failed, Attempts: uint8(a), Took: TimeClass(a / 256)}
		if _, err := m.Record(0, run, nil); err != nil {
			t.Fatal(err)
		}
	}
	mustCommit(t, m, path)
	got := mustOpen(t, path)
	wantSame(t, "reopened", content(got), content(m))
	if n := len(slices.Collect(got.Runs(0))); n != 600 || got.Won(333) != 1 {
		t.Errorf("%d runs, pass 333 won %d; want 600, 1", n, got.Won(333))
	}
}

// TestRotLeavesOthers rots what is not good.
func TestRotLeavesOthers(t *testing.T) {
	m := newCase(t, 300)
	mustRecord(t, m, 0, sector.Span(0, 1), Failed)
	before := content(m)
	for _, a := range []sector.LBA{-1, 0, 1, 299, 300, 1 << 40} {
		m.Rot(a)
	}
	wantSame(t, "Rot", content(m), before)
	for _, a := range []sector.LBA{-1, 300, math.MaxInt64, math.MinInt64} {
		if s := m.State(a); s != Untried {
			t.Errorf("State(%d) = %v; want untried", a, s)
		}
		if _, _, ok := m.Sum(a); ok {
			t.Errorf("Sum(%d) is ok", a)
		}
	}
	if m.Won(-1) != 0 || m.Won(9) != 0 || len(slices.Collect(m.Runs(-1))) != 0 || len(slices.Collect(m.Runs(9))) != 0 {
		t.Errorf("passes that are not there won or asked something")
	}
	if got := m.WonSet(9); !got.Empty() {
		t.Errorf("WonSet(9) = %v; want none", got)
	}
}

// TestPlainDevice takes a device that is no disc: tens of millions of sectors,
// and the largest there can be.
func TestPlainDevice(t *testing.T) {
	for _, sectors := range []int64{60_000_000, maxSectors} {
		m := newCase(t, sectors)
		path := mustCreate(t, m)
		for _, a := range []sector.LBA{0, sector.LBA(sectors/2 - 300), sector.LBA(sectors - 700)} {
			mustRecord(t, m, 0, sector.Span(a, 700), Delivered)
		}
		mustCommit(t, m, path)
		got := mustOpen(t, path)
		if got.Count(Good) != 2100 || got.Count(Untried) != sectors-2100 || got.Won(0) != 2100 {
			t.Errorf("%d sectors: %d good, %d untried; want 2100, %d", sectors, got.Count(Good), got.Count(Untried), sectors-2100)
		}
		if runs := slices.Collect(got.Runs(0)); len(runs) != 3 || runs[2].Range.End != sector.LBA(sectors) {
			t.Errorf("%d sectors: runs %v; want 3 up to the end", sectors, runs)
		}
		if info := sizeOf(t, path); info > 1.2 {
			t.Errorf("%d sectors: file of %.1f MB; want about 1", sectors, info)
		}
	}
}

// TestStop stops every iteration early.
func TestStop(t *testing.T) {
	m := newCase(t, 1000)
	for a := sector.LBA(0); a < 100; a += 2 {
		mustRecord(t, m, 0, sector.Span(a, 1), Delivered)
	}
	all := sector.Span(0, 1000)
	n := 0
	for range m.Ranges(Good, all) {
		n++
		break
	}
	for range m.Sums(all) {
		n++
		break
	}
	for range m.Runs(0) {
		n++
		break
	}
	if n != 3 {
		t.Errorf("%d iterations; want 3", n)
	}
}

func TestWords(t *testing.T) {
	got := fmt.Sprint(Untried, Bad, Good, State(9), Delivered, Failed, LostTrack, Stalled, Merged, Result(0), Result(77))
	want := "untried bad good state 9 delivered failed track lost stalled merged result 0 result 77"
	if got != want {
		t.Errorf("words %q; want %q", got, want)
	}
}

// TestHeld: how the disc in the hand lies is kept, as a copy.
func TestHeld(t *testing.T) {
	m := New("case")
	m.AddRound(Round{})
	held := &Held{Side: "label", TurnDeg: 97.5, PerTurn: [][2]float64{{1.83, 4.4}}, OffMM: 0.8, Doubtful: true, LooseDeg: 2.5, Places: []string{"34 mm 4 o'clock", "51 mm 9:30"}}
	if err := m.SetDisc(Disc{Kind: "dvd", Sectors: 160, BlockSectors: 16, Held: held}); err != nil {
		t.Fatal(err)
	}
	path := mustCreate(t, m)
	again, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := again.Disc().Held; !reflect.DeepEqual(got, held) {
		t.Errorf("Held = %+v; want %+v", got, held)
	}
	again.Disc().Held.Places[0] = "changed"
	if got := again.Disc().Held.Places[0]; got != held.Places[0] {
		t.Errorf("place = %q after a copy was changed; want %q", got, held.Places[0])
	}
}
