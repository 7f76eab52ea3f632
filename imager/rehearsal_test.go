package imager

import (
	"slices"
	"testing"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// A rehearsal records what each request was read by, as a pass does.
func TestRehearsalRecordsSettings(t *testing.T) {
	const n = 256
	h, err := NewRehearsal(mapfile.Disc{Kind: "dvd", Sectors: n, BlockSectors: 16, Written: sector.Of(span(0, n))})
	if err != nil {
		t.Fatal(err)
	}
	p, err := h.Begin(device.Info{Node: "/dev/sr0", Kind: "dvd", Sectors: n, BlockSectors: 16, MaxSectors: 32})
	if err != nil {
		t.Fatal(err)
	}
	two := uint8(2)
	for i, s := range []mapfile.Settings{{}, {Retries: &two}, {SpeedKBps: 5540}, {Retries: &two}, {}} {
		r := plan.Request{Range: span(sector.LBA(32*i), 16), Settings: s}
		answer := device.Answer{Asked: r.Range, Data: make([]byte, r.Range.Bytes())}
		if i%2 == 1 {
			answer = device.Answer{Asked: r.Range, Err: &device.ReadError{Class: device.Medium, Asked: r.Range, At: r.Range.First}}
		}
		if err := p.Note(r, answer); err != nil {
			t.Fatal(err)
		}
	}
	var by []uint8
	for run := range h.m.Runs(0) {
		by = append(by, run.Settings)
	}
	if want := []uint8{0, 1, 2, 1, 0}; !slices.Equal(by, want) {
		t.Errorf("runs by the settings %v; want %v", by, want)
	}
	if all := h.m.Passes()[0].Settings; len(all) != 3 || all[1].Retries == nil || *all[1].Retries != 2 || all[2].SpeedKBps != 5540 {
		t.Errorf("the pass has the settings %+v; want the drive's own, 2 retries, 5540 kB/s", all)
	}
}
