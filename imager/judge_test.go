package imager

import (
	"reflect"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// What an answer says of a request of 24 blocks, which the drive was asked for by
// commands of 48 sectors. The rules are those of promise 4: whole units.
func TestJudge(t *testing.T) {
	r := sector.Span(1600, 384)
	third := sector.Span(1600+96, 48)
	for _, c := range []struct {
		name            string
		good            int64
		class           device.Class // 0: no error
		at              sector.LBA
		asked           sector.Range
		failed, blurred int64
		result          mapfile.Result
	}{
		{"all of it", 384, 0, -1, sector.Range{}, 0, 0, mapfile.Failed},
		{"the rest was not asked for", 96, 0, -1, sector.Range{}, 0, 0, mapfile.Failed},
		{"a named sector", 96 + 20, device.Medium, 1600 + 96 + 20, third, 12, 0, mapfile.Failed},
		{"no named sector", 96, device.Medium, -1, third, 0, 48, mapfile.Failed},
		{"good blocks held back", 96, device.Medium, 1600 + 96 + 20, third, 0, 48, mapfile.Failed},
		{"track lost", 96, device.Track, 1600 + 96, third, 16, 0, mapfile.LostTrack},
		{"a stall", 96, device.Stalled, -1, third, 0, 48, mapfile.Stalled},
		{"a stall in a single block", 96, device.Stalled, -1, sector.Span(1696, 16), 16, 0, mapfile.Stalled},
		{"a stall of nobody knows what", 0, device.Stalled, -1, r, 0, 384, mapfile.Stalled},
		{"the drive is gone", 96, device.Gone, -1, third, 0, 0, mapfile.Failed},
	} {
		a := device.Answer{Asked: r, Data: make([]byte, c.good*sector.Size), Took: 9 * time.Second, Last: 2 * time.Second}
		if c.class != 0 {
			a.Err = &device.ReadError{Class: c.class, At: c.at, Asked: c.asked}
		}
		got := judge(plan.Request{Range: r}, a, 16)
		if got.Good != c.good || got.Failed != c.failed || got.Blurred != c.blurred || got.Blur != (c.blurred > 0) || got.Result != c.result {
			t.Errorf("judge of %s = %+v; want %d good, %d failed, a blur of %d, result %v", c.name, got, c.good, c.failed, c.blurred, c.result)
		}
		took, came := 9*time.Second, 9*time.Second
		if c.class != 0 {
			came = 7 * time.Second
			if took = 2 * time.Second; c.class == device.Gone {
				took = got.Took
			}
		}
		if got.Took != took || cameIn(a) != came {
			t.Errorf("judge of %s took %v, and what came %v; want %v and %v", c.name, got.Took, cameIn(a), took, came)
		}
	}
}

func TestByWeakness(t *testing.T) {
	came := mapfile.Run{Range: sector.Span(100, 50), Attempts: 1}
	run := func(first sector.LBA, n int64, weak bool) mapfile.Run {
		return mapfile.Run{Range: sector.Span(first, n), Attempts: 1, Weak: weak}
	}
	for _, c := range []struct {
		weak []sector.Range
		want []mapfile.Run
	}{
		{nil, []mapfile.Run{run(100, 50, false)}},
		{[]sector.Range{sector.Span(100, 50)}, []mapfile.Run{run(100, 50, true)}},
		{[]sector.Range{sector.Span(110, 5), sector.Span(115, 5), sector.Span(140, 90)},
			[]mapfile.Run{run(100, 10, false), run(110, 5, true), run(115, 5, true), run(120, 20, false), run(140, 10, true)}},
		{[]sector.Range{sector.Span(300, 5)}, []mapfile.Run{run(100, 50, false)}},
	} {
		var got []mapfile.Run
		byWeakness(came, c.weak, func(r mapfile.Run) { got = append(got, r) })
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("byWeakness(%v) = %v; want %v", c.weak, got, c.want)
		}
	}
}
