package imager

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// noted are the rounds, the eye's report and the kinds of events that a case's
// file holds.
func noted(t *testing.T, path string) (rounds []mapfile.Round, seen *mapfile.Seen, events []string) {
	t.Helper()
	m, err := mapfile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := mapfile.Events(path, func(e mapfile.Event) bool {
		if e.Kind != KindFailedRead && e.Kind != KindEnded {
			events = append(events, e.Kind+": "+e.Text)
		}
		return true
	}); err != nil {
		t.Fatal(err)
	}
	return m.Rounds(), m.Disc().Seen, events
}

func treatments(t *testing.T, typed ...string) []mapfile.Treatment {
	t.Helper()
	var out []mapfile.Treatment
	for _, s := range typed {
		tr, err := ParseTreatment(s)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, tr)
	}
	return out
}

func TestRoundsAreKept(t *testing.T) {
	now := epochTime
	d := newCutDisk(t, 64, 1)
	c := d.open(func() time.Time { return now })
	now = now.Add(time.Hour)
	first := mapfile.Round{Treatments: treatments(t, "clean", "sand 2000, 4 min, 24-48 mm"), By: "Sam", Note: "wet", Grams: 15.6, ThicknessMM: 1.21}
	if n, err := c.OpenRound(first); n != 1 || err != nil {
		t.Fatalf("OpenRound() = %d, %v; want 1, nil", n, err)
	}
	first.Opened = now
	rounds, _, events := noted(t, d.mapPath)
	if want := []mapfile.Round{{Opened: epochTime}, first}; !sameRounds(rounds, want) {
		t.Errorf("rounds = %+v; want %+v", rounds, want)
	}
	if want := []string{"round: round 1: clean; sand 2000, 4 min, 24-48 mm"}; !slices.Equal(events, want) {
		t.Errorf("events = %q; want %q", events, want)
	}

	// Corrected: what is not said anew stays, what was noted before is kept as an
	// event, and the round was opened when it was opened.
	now = now.Add(time.Hour)
	if n, err := c.AmendRound(mapfile.Round{Treatments: treatments(t, "sand 3000"), Grams: 15.8}); n != 1 || err != nil {
		t.Fatalf("AmendRound() = %d, %v; want 1, nil", n, err)
	}
	first.Treatments, first.Grams = treatments(t, "sand 3000"), 15.8
	rounds, _, events = noted(t, d.mapPath)
	if want := []mapfile.Round{{Opened: epochTime}, first}; !sameRounds(rounds, want) {
		t.Errorf("rounds = %+v; want %+v", rounds, want)
	}
	if len(events) != 2 || !strings.Contains(events[1], "was noted as clean; sand 2000, 4 min, 24-48 mm, by Sam, 15.6 g before, 1.21 mm thick before (wet)") ||
		!strings.Contains(events[1], "now sand 3000, by Sam, 15.8 g before") {
		t.Errorf("events = %q; want a second one with what was noted and what is now", events)
	}
	d.close(c)
}

// sameRounds compares rounds; times come back from the file without their
// location.
func sameRounds(a, b []mapfile.Round) bool {
	return slices.EqualFunc(a, b, func(a, b mapfile.Round) bool {
		same := a.Opened.Equal(b.Opened)
		a.Opened, b.Opened = time.Time{}, time.Time{}
		return same && reflect.DeepEqual(a, b)
	})
}

func TestRoundZeroHasNoTreatment(t *testing.T) {
	d := newCutDisk(t, 64, 1)
	c := d.open(time.Now)
	if n, err := c.AmendRound(mapfile.Round{Treatments: treatments(t, "clean")}); n != 0 || !errors.Is(err, ErrNoTreatment) {
		t.Errorf("AmendRound(a treatment of round 0) = %d, %v; want 0, %v", n, err, ErrNoTreatment)
	}
	if _, _, events := noted(t, d.mapPath); len(events) != 0 {
		t.Errorf("events = %q; want none of what was refused", events)
	}
	// Its weight can be noted.
	if n, err := c.AmendRound(mapfile.Round{Grams: 15.6}); n != 0 || err != nil {
		t.Errorf("AmendRound(the weight of round 0) = %d, %v; want 0, nil", n, err)
	}
	if rounds, _, _ := noted(t, d.mapPath); rounds[0].Grams != 15.6 {
		t.Errorf("round 0 = %+v; want 15.6 g", rounds[0])
	}
	d.close(c)
}

func TestInspectedKeepsWhatIsNotSaidAnew(t *testing.T) {
	now := epochTime
	d := newCutDisk(t, 64, 1)
	c := d.open(func() time.Time { return now })
	want := mapfile.Seen{}
	for _, s := range []mapfile.Seen{
		{Crack: "no", Label: "sound", SizeCM: 12, By: "Sam"},
		{Label: "holes", Note: "at the rim"},
		{Fragile: "yes"},
		{Crack: "yes", SizeCM: 8, By: "Kim"},
	} {
		now = now.Add(time.Hour)
		if err := c.Inspected(s); err != nil {
			t.Fatalf("Inspected(%+v) = %v; want nil", s, err)
		}
		want.At = now
		for _, f := range []struct {
			to   *string
			from string
		}{{&want.Crack, s.Crack}, {&want.Fragile, s.Fragile}, {&want.Label, s.Label}, {&want.By, s.By}, {&want.Note, s.Note}} {
			if f.from != "" {
				*f.to = f.from
			}
		}
		if s.SizeCM != 0 {
			want.SizeCM = s.SizeCM
		}
		_, seen, _ := noted(t, d.mapPath)
		if seen == nil || !seen.At.Equal(want.At) {
			t.Fatalf("seen = %+v; want %+v", seen, want)
		}
		seen.At = want.At
		if *seen != want {
			t.Errorf("seen = %+v; want %+v", *seen, want)
		}
	}
	if _, _, events := noted(t, d.mapPath); len(events) != 4 {
		t.Errorf("%d events; want one for each look", len(events))
	}
	// And a disc seen cracked is not read, whoever asks.
	drive := devicetest.NewFake(64, devicetest.Options{})
	if end, err := c.Read(t.Context(), reading(drive)); !errors.Is(err, ErrCracked) || end.Pass != -1 || len(drive.Requests()) != 0 {
		t.Errorf("Read(a cracked disc) = %+v, %v after %d requests; want %v, no pass, none", end, err, len(drive.Requests()), ErrCracked)
	}
	d.close(c)
}

// What is noted is noted whole or not at all, wherever the program is stopped, and
// no sector suffers; noting it again brings it in.
func TestNotingStoppedAtEveryStep(t *testing.T) {
	for _, note := range []struct {
		name string
		do   func(c *Case) error
		is   func(m *mapfile.Map) bool // noted
	}{
		{"round", func(c *Case) error {
			_, err := c.OpenRound(mapfile.Round{Treatments: treatments(t, "clean")})
			return err
		}, func(m *mapfile.Map) bool { return len(m.Rounds()) == 3 && m.Rounds()[2].Treatments[0].Word == Clean }},
		{"amend", func(c *Case) error {
			_, err := c.AmendRound(mapfile.Round{Treatments: treatments(t, "polish fine"), By: "Sam"})
			return err
		}, func(m *mapfile.Map) bool {
			r := m.Rounds()[1]
			if (r.By == "Sam") != (r.Treatments[0].Word == Polish) {
				t.Errorf("round 1 = %+v; want it corrected whole or not at all", r)
			}
			return r.By == "Sam"
		}},
		{"inspected", func(c *Case) error { return c.Inspected(mapfile.Seen{Crack: "no", By: "Sam"}) },
			func(m *mapfile.Map) bool { return m.Disc().Seen != nil && m.Disc().Seen.By == "Sam" }},
		{"closed", func(c *Case) error { return c.CloseCase("2026-12-31", "Sam") },
			func(m *mapfile.Map) bool { return m.Closing().State == mapfile.Closed && m.Closing().By == "Sam" }},
	} {
		for _, cut := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s/cut=%v", note.name, cut), func(t *testing.T) {
				for step := 0; ; step++ {
					drive := scratched(devicetest.Options{})
					d := newCutDisk(t, scratchedSectors, uint64(step))
					c := d.open(drive.Now)
					if _, err := c.Read(t.Context(), reading(drive)); err != nil {
						t.Fatal(err)
					}
					if _, err := c.OpenRound(mapfile.Round{Treatments: treatments(t, "sand 2000")}); err != nil {
						t.Fatal(err)
					}
					before, image := states(c.m), bytes.Clone(d.image)
					d.step, d.failAt, d.cut = 0, step, cut
					err := note.do(c)
					if d.step <= step {
						if err != nil || !note.is(c.m) {
							t.Errorf("run without a fault = %v; want nil, and it noted", err)
						}
						if step < 2 {
							t.Errorf("%d steps; want a commit and a snapshot at least", step)
						}
						d.close(c)
						return
					}
					if !errors.Is(err, errStep) {
						t.Errorf("step %d failed and the error is %v; want the injected one", step, err)
					}
					d.powerOn()
					c = d.open(drive.Now)
					if got := states(c.m); got != before || !bytes.Equal(d.image, image) {
						t.Errorf("step %d: states or image changed: %s; want %s", step, got, before)
					}
					if !note.is(c.m) {
						if err := note.do(c); err != nil || !note.is(c.m) {
							t.Errorf("step %d, again = %v; want nil, and it noted", step, err)
						}
					}
					d.close(c)
					if t.Failed() {
						return
					}
				}
			})
		}
	}
}

// What is asked again when: in one round each drive is asked once for what is
// missing, after a treatment again, and what is good never.
func TestWhatIsAskedWhen(t *testing.T) {
	const n = 256
	drive := func(node string, bad ...sector.Range) *devicetest.Fake {
		f := devicetest.NewFake(n, devicetest.Options{NamesAddress: true,
			Info: device.Info{Node: node, Kind: "dvd", WholeBlocks: true}})
		for _, b := range bad {
			f.Fail(b, device.Medium, devicetest.Always)
		}
		return f
	}
	d := newCutDisk(t, n, 1)
	var good sector.Set // before the read
	for _, step := range []struct {
		name    string
		drive   *devicetest.Fake
		treat   string // opens a round before
		how     Reading
		missing int64 // after; -1: nothing was asked
		asked   int64 // sectors of the requests, each counted once
	}{
		{"drive A reads what it can", drive("/dev/a", sector.Span(32, 64)), "", Reading{}, 64, n},
		{"A has nothing new to ask", drive("/dev/a"), "", Reading{}, -1, 0},
		{"A again, restricted", drive("/dev/a"), "", Reading{Again: true, Only: sector.Of(sector.Span(32, 16), sector.Span(128, 16))}, 48, 16},
		{"drive B is asked for all that is missing", drive("/dev/b", sector.Span(64, 32)), "", Reading{}, 32, 48},
		{"B has nothing new to ask", drive("/dev/b"), "", Reading{}, -1, 0},
		{"nor has A, which gave up on it before", drive("/dev/a"), "", Reading{}, -1, 0},
		{"after a polish B is asked again", drive("/dev/b", sector.Span(64, 16)), "polish fine", Reading{}, 16, 32},
		{"and A too", drive("/dev/a", sector.Span(64, 16)), "", Reading{}, 16, 16},
		{"only what is good: nothing", drive("/dev/c"), "", Reading{Only: sector.Of(sector.Span(0, 16))}, -1, 0},
		{"drive C ends it", drive("/dev/c"), "", Reading{}, 0, 16},
		{"a whole case has nothing to ask after a treatment", drive("/dev/a"), "clean", Reading{Again: true}, -1, 0},
	} {
		c := d.open(step.drive.Now)
		if step.treat != "" {
			if _, err := c.OpenRound(mapfile.Round{Treatments: treatments(t, step.treat)}); err != nil {
				t.Fatal(err)
			}
		}
		good = c.m.In(mapfile.Good)
		step.how.Reader, step.how.SameDisc = step.drive, true
		before := len(c.m.Passes())
		_, err := c.Read(t.Context(), step.how)
		nothing := errors.Is(err, ErrNothingToAsk)
		if (err != nil && !nothing) || nothing != (step.missing < 0) {
			t.Errorf("%s: Read() = %v; want nothing to ask: %v", step.name, err, step.missing < 0)
		}
		var asked sector.Set
		for _, r := range step.drive.Requests() {
			asked.Add(r.Range)
		}
		twice := asked.Intersect(&good)
		if asked.Count() != step.asked || !twice.Empty() {
			t.Errorf("%s: asked for %d sectors, %d of them good; want %d, 0", step.name, asked.Count(), twice.Count(), step.asked)
		}
		if missing := StatusOf(c.m).Missing(); step.missing >= 0 && missing != step.missing {
			t.Errorf("%s: %d missing; want %d", step.name, missing, step.missing)
		}
		if nothing && len(c.m.Passes()) != before {
			t.Errorf("%s: a pass was begun; want none where nothing is asked", step.name)
		}
		d.close(c)
	}
}

func TestRoundsInWords(t *testing.T) {
	for _, c := range []struct {
		round mapfile.Round
		want  string
	}{
		{mapfile.Round{}, "no treatment noted"},
		{mapfile.Round{Treatments: treatments(t, "clean", "polish fine, 90 s")}, "clean; polish fine, 90 s"},
		{mapfile.Round{Treatments: treatments(t, "clean"), By: "Sam", Grams: 15.6, ThicknessMM: 1.2, Note: "n"},
			"clean, by Sam, 15.6 g before, 1.2 mm thick before (n)"},
	} {
		if got := RoundInWords(1, c.round); got != c.want {
			t.Errorf("RoundInWords(%+v) = %q; want %q", c.round, got, c.want)
		}
	}
	for _, c := range []struct {
		seen mapfile.Seen
		want string
	}{
		{mapfile.Seen{}, "nothing noted"},
		{mapfile.Seen{Crack: "no", Fragile: "no", Label: "sound", SizeCM: 12, By: "Sam", Note: "n"},
			"no crack, not fragile, label sound, 12 cm, seen by Sam, n"},
		{mapfile.Seen{Crack: "yes", Fragile: "yes", Label: "holes", SizeCM: 8}, "cracked, fragile, holes in the label, 8 cm"},
	} {
		if got := SeenInWords(c.seen); got != c.want {
			t.Errorf("SeenInWords(%+v) = %q; want %q", c.seen, got, c.want)
		}
	}
}
