package imager

import (
	"fmt"
	"slices"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Of how many readings a sector was put together goes with it: through merges of merges,
// and through pass files.
func TestNumberOfReadingsTravels(t *testing.T) {
	const n = 1024
	a := newStation(t, "a", n, nil, nil)
	want := []mapfile.Repair{{Range: span(100, 1), Readings: 5}, {Range: span(101, 2), Readings: 1}, {Range: span(600, 30), Readings: 9}}
	for _, r := range want {
		var sums []uint32
		for _, part := range a.c.m.Sums(r.Range) {
			sums = append(sums, part...)
		}
		run := mapfile.Run{Range: r.Range, Result: mapfile.Delivered, Attempts: mapfile.RepairedAttempts(r.Readings)}
		if found, err := a.c.m.Record(0, run, sums); err != nil || len(found) > 0 {
			t.Fatalf("Record() = %v, %v", found, err)
		}
	}
	if err := a.c.commit(); err != nil {
		t.Fatal(err)
	}
	repairs := func(s *station) (all []mapfile.Repair) {
		for pass := range s.c.m.Passes() {
			all = slices.AppendSeq(all, s.c.m.Repairs(pass))
		}
		return all
	}
	// What b has itself is not taken from a, and what was put together there does not count.
	b := newStation(t, "b", n, []sector.Range{span(0, 102), span(610, 5), span(620, 300)}, nil)
	b.merge(t, a)
	some := []mapfile.Repair{{Range: span(100, 1), Readings: 5}, {Range: span(101, 1), Readings: 1}, {Range: span(610, 5), Readings: 9}, {Range: span(620, 10), Readings: 9}}
	if got := repairs(b); fmt.Sprint(got) != fmt.Sprint(some) {
		t.Errorf("merged: put together %v; want %v", got, some)
	}
	if st := StatusOf(b.c.m); st.Repaired != 17 || st.Rounds[0].Passes[1].RepairReadings != 9 {
		t.Errorf("merged: status has %d put together, up to %d readings; want 17, 9", st.Repaired, st.Rounds[0].Passes[1].RepairReadings)
	}
	c := newStation(t, "c", n, []sector.Range{span(0, n)}, nil)
	c.unpack(t, b.packed(t, Packing{}))
	if got := repairs(c); fmt.Sprint(got) != fmt.Sprint(some) {
		t.Errorf("merged, packed and unpacked: put together %v; want %v", got, some)
	}
	d := newStation(t, "d", n, []sector.Range{span(0, n)}, nil)
	d.unpack(t, a.packed(t, Packing{}))
	if got := repairs(d); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("unpacked: put together %v; want %v", got, want)
	}
}
