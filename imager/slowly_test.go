package imager

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// gentle is a drive that can be told to read slowly.
type gentle struct {
	settable
	kBps  int // that it reads at then; 0: it does not heed it
	slows []bool
	err   error // of what it is told, if not nil
}

func (g *gentle) Slow(_ context.Context, slow bool) (int, error) {
	g.slows = append(g.slows, slow)
	if g.err != nil {
		return 0, g.err
	}
	if g.kBps == 0 {
		return 0, fmt.Errorf("%w: a speed", device.ErrUnsupported)
	}
	if !slow {
		return 0, nil
	}
	return g.kBps, nil
}

// Slow reading is a wish beside the others: it has numbers of its own, the drive is told
// of each change once, and once more after a stall; one that does not heed it is left
// alone, and so is each where the user has said a speed.
func TestSlowlyByControl(t *testing.T) {
	type step struct {
		want         mapfile.Settings
		slow, forget bool
		number       uint8
		slows        []bool
	}
	yes, no := true, false
	for _, test := range []struct {
		name  string
		kBps  int
		user  mapfile.Settings
		steps []step
		all   []mapfile.Settings
	}{
		{"a drive that heeds it", 2770, mapfile.Settings{}, []step{
			{retries(0), no, no, 1, nil},
			{retries(16), yes, no, 2, []bool{yes}},
			{retries(16), yes, no, 2, []bool{yes}},
			{retries(16), yes, yes, 2, []bool{yes, yes}},
			{retries(0), no, no, 1, []bool{yes, yes, no}},
			{retries(16), no, no, 3, []bool{yes, yes, no}},
			{retries(16), no, yes, 3, []bool{yes, yes, no}},
			{retries(16), yes, no, 2, []bool{yes, yes, no, yes}},
			{retries(16), no, yes, 3, []bool{yes, yes, no, yes, no}},
		}, []mapfile.Settings{{}, retries(0), {Retries: retries(16).Retries, SpeedKBps: 2770}, retries(16)}},
		{"one that does not", 0, mapfile.Settings{}, []step{
			{retries(16), yes, no, 1, []bool{yes}}, {retries(16), yes, yes, 1, []bool{yes}}, {retries(16), no, no, 1, []bool{yes}},
		}, []mapfile.Settings{{}, retries(16)}},
		{"a speed by the user", 2770, mapfile.Settings{SpeedKBps: 5540}, []step{
			{retries(16), yes, no, 1, nil}, {retries(16), no, yes, 1, nil},
		}, []mapfile.Settings{{}, {Retries: retries(16).Retries, SpeedKBps: 5540}}},
	} {
		drive := &gentle{settable: settable{Fake: devicetest.NewFake(64, devicetest.Options{}), most: 20}, kBps: test.kBps}
		c := newControl(drive, test.user)
		for i, s := range test.steps {
			if s.forget {
				c.forget()
			}
			n, err := c.use(t.Context(), s.want, s.slow)
			if n != s.number || err != nil || !slices.Equal(drive.slows, s.slows) {
				t.Errorf("%s, %d: use = %d, %v, told %v; want %d, nil, %v", test.name, i, n, err, drive.slows, s.number, s.slows)
			}
		}
		if !slices.EqualFunc(c.all, test.all, sameSettings) {
			t.Errorf("%s: settings %+v; want %+v", test.name, c.all, test.all)
		}
	}
}

// A drive that fails at a wish goes on by what it has; what it did when it failed is on
// record. One that stalls or has gone is another matter.
func TestSlowlyFails(t *testing.T) {
	drive := &gentle{settable: settable{Fake: devicetest.NewFake(64, devicetest.Options{}), most: 20}, kBps: 2770, err: errors.New("no sense")}
	c := newControl(drive, mapfile.Settings{})
	if n, err := c.use(t.Context(), retries(16), true); n != 1 || err != nil {
		t.Errorf("use(slowly) = %d, %v; want 1, nil: as if it had not been wanted", n, err)
	}
	drive.err = nil
	c = newControl(drive, mapfile.Settings{})
	if n, err := c.use(t.Context(), retries(16), true); n != 1 || err != nil || c.all[1].SpeedKBps != 2770 {
		t.Fatalf("use(slowly) = %d, %v, settings %+v; want 1, nil, 2770 kB/s", n, err, c.all)
	}
	drive.err = errors.New("no sense")
	if n, err := c.use(t.Context(), retries(16), false); n != 1 || err != nil {
		t.Errorf("use() by a drive that can't be told otherwise = %d, %v; want 1, nil: it is slow", n, err)
	}
	drive.err = &device.ReadError{Class: device.Stalled}
	c = newControl(drive, mapfile.Settings{})
	if _, err := c.use(t.Context(), retries(16), true); err != drive.err {
		t.Errorf("use(slowly) by a drive that stalls = %v; want %v", err, drive.err)
	}
}

// What a pass asks for once more at its end it asks for slowly: the pass has it on
// record, the listener hears of it, and all else is read at the drive's own speed.
func TestPassEndsSlowly(t *testing.T) {
	info := device.Info{Kind: "dvd", BlockSectors: 16, WholeBlocks: true, MaxSectors: 48, Retries: &device.RetryCounts{Own: 16}}
	fake := devicetest.NewFake(4096, devicetest.Options{Info: info, NamesAddress: true})
	drive := &gentle{settable: settable{Fake: fake, most: 16}, kBps: 2770}
	bad := sector.Of(sector.Span(1024, 16), sector.Span(2048, 16))
	for r := range bad.Runs() {
		drive.Fail(r, device.Medium, devicetest.Always)
	}
	box, heard := made(t, 4096), &heard{}
	if end, err := box.Read(t.Context(), Reading{Reader: drive, ToTheEnd: true, Listener: heard}); err != nil || end.How != HowComplete {
		t.Fatalf("Read() = %+v, %v; want %s, nil", end, err, HowComplete)
	}
	if len(drive.slows) == 0 || !drive.slows[0] {
		t.Fatalf("the drive was told to read slowly: %v; want it so at the end", drive.slows)
	}
	p := box.m.Passes()[0]
	for run := range box.m.Runs(0) {
		slow, want := p.Settings[run.Settings].SpeedKBps == 2770, bad.Overlaps(run.Range)
		if slow != want {
			t.Errorf("%v %v was read by %+v; want slowly %v", run.Range, run.Result, p.Settings[run.Settings], want)
		}
	}
	said := 0
	for _, g := range heard.progress {
		if strings.HasSuffix(g.Doing, atLowSpeed) {
			said++
		}
	}
	if said == 0 {
		t.Errorf("nothing in the progress says %q", atLowSpeed)
	}
}
