package imager

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// stubborn is a drive that answers after a stall only once a certain step was
// taken.
type stubborn struct {
	*devicetest.Fake
	steps []device.Step
	needs device.Step
	taken []device.Step
}

func (s *stubborn) Steps() []device.Step { return s.steps }

func (s *stubborn) Revive(_ context.Context, step device.Step) error {
	s.taken = append(s.taken, step)
	if step == s.needs {
		return nil
	}
	return &device.ReadError{Drive: "fake", Class: device.Stalled, At: -1, Text: "no answer"}
}

var allSteps = []device.Step{device.Waiting, "TEST UNIT READY", "logical unit reset"}

// steppedSectors is a disc large enough for requests of several blocks.
const steppedSectors = 32768

// Steps are taken from the cheapest on until the drive answers, each an event; the
// reading goes on elsewhere, and what stalled comes last.
func TestStepsFromTheCheapestOn(t *testing.T) {
	for i, needs := range allSteps {
		drive := &stubborn{Fake: devicetest.NewFake(steppedSectors, devicetest.Options{}), steps: allSteps, needs: needs}
		drive.Stall(sector.Span(1040, 1), 1)
		c := made(t, steppedSectors)
		var heard heard
		end, err := c.Read(t.Context(), Reading{Reader: drive, Listener: &heard})
		if err != nil || end.How != HowComplete {
			t.Fatalf("%s: Read() = %+v, %v; want it complete", needs, end, err)
		}
		if want := allSteps[:i+1]; !slices.Equal(drive.taken, want) {
			t.Errorf("%s: taken were %q; want %q", needs, drive.taken, want)
		}
		if got := heard.count(KindStep); got != i+1 {
			t.Errorf("%s: %d events of steps; want %d", needs, got, i+1)
		}
		if got := c.Map().Count(mapfile.Good); got != steppedSectors {
			t.Errorf("%s: %d good sectors; want all", needs, got)
		}
	}
}

// Where no step helps the pass ends with the case intact.
func TestNoStepHelps(t *testing.T) {
	drive := &stubborn{Fake: devicetest.NewFake(steppedSectors, devicetest.Options{}), steps: allSteps, needs: "none"}
	drive.Stall(sector.Span(1040, 1), 1)
	c := made(t, steppedSectors)
	end, err := c.Read(t.Context(), Reading{Reader: drive})
	if err != nil || end.How != HowStalled {
		t.Errorf("Read() = %+v, %v; want it stalled", end, err)
	}
	if !slices.Equal(drive.taken, allSteps) {
		t.Errorf("taken were %q; want %q", drive.taken, allSteps)
	}
	if got := c.Map().Count(mapfile.Bad); got != 0 {
		t.Errorf("%d sectors are bad; want none: nobody knows where it stalled", got)
	}
}

// A fragile disc is waited for; anything beyond is done only where somebody says yes.
func TestFragileDiscs(t *testing.T) {
	for _, test := range []struct {
		allow func(context.Context, device.Step) bool
		want  []device.Step
		how   string
	}{
		{nil, allSteps[:1], HowStalled},
		{func(context.Context, device.Step) bool { return false }, allSteps[:1], HowStalled},
		{func(_ context.Context, s device.Step) bool { return s == allSteps[1] }, allSteps[:2], HowComplete},
	} {
		drive := &stubborn{Fake: devicetest.NewFake(1024, devicetest.Options{}), steps: allSteps, needs: allSteps[1]}
		drive.Stall(sector.Span(256, 16), 1)
		c := made(t, 1024)
		if err := c.Inspected(mapfile.Seen{Fragile: "yes"}); err != nil {
			t.Fatal(err)
		}
		end, err := c.Read(t.Context(), Reading{Reader: drive, Allow: test.allow})
		if err != nil || end.How != test.how {
			t.Errorf("Read() = %+v, %v; want %s", end, err, test.how)
		}
		if !slices.Equal(drive.taken, test.want) {
			t.Errorf("taken were %q; want %q", drive.taken, test.want)
		}
	}
}

// What the drive tells of a disc is remembered; what contradicts it is another disc.
func TestIdentityThatContradicts(t *testing.T) {
	info := device.Info{Identity: map[string]string{"disc identification": "12345678"}}
	drive := devicetest.NewFake(64, devicetest.Options{Info: info})
	c := made(t, 64)
	if _, err := c.Read(t.Context(), Reading{Reader: drive}); err != nil {
		t.Fatal(err)
	}
	if got := c.Map().Disc().Identity["disc identification"]; got != "12345678" {
		t.Errorf("the case knows the disc as %q; want 12345678", got)
	}
	info.Identity = map[string]string{"disc identification": "87654321"}
	other := devicetest.NewFake(64, devicetest.Options{Info: info})
	end, err := c.Read(t.Context(), Reading{Reader: other, Again: true})
	if !errors.Is(err, ErrOtherDisc) || end.How != HowOtherDisc || !strings.Contains(err.Error(), "87654321") {
		t.Errorf("Read(another disc) = %+v, %v; want another disc, with both identities", end, err)
	}
	if n := len(other.Requests()); n != 0 {
		t.Errorf("%d requests were asked of it; want none", n)
	}
}

// A disc that no other is like need not be read to be known again.
func TestUniqueDiscsAreKnown(t *testing.T) {
	info := device.Info{Medium: "first", Identity: map[string]string{device.Unique: "0123"}}
	c := made(t, 64)
	first := devicetest.NewFake(64, devicetest.Options{Info: info})
	if _, err := c.Read(t.Context(), Reading{Reader: first, Only: sector.Of(sector.Span(0, 32))}); err != nil {
		t.Fatal(err)
	}
	info.Medium = "second"
	again := devicetest.NewFake(64, devicetest.Options{Info: info})
	if _, err := c.Read(t.Context(), Reading{Reader: again}); err != nil {
		t.Fatal(err)
	}
	for a := range sector.LBA(32) {
		if n := again.CountOf(a); n != 0 {
			t.Fatalf("good sector %d was asked for %d times; want none", a, n)
		}
	}
}
