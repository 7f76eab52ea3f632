package optical_test

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"turnstone/device"
	"turnstone/device/optical"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim/unit"
)

// codes is what a drive may answer, and what is to be made of it when it answers a READ
// so: once, and then reads; and each time. The codes and their names are SPC's, as
// sg3_utils has them; what class and advice follow is common practice, no source.
//
// 0 is no error: all comes.
var codes = []struct {
	key       scsi.Key
	asc, ascq []uint8
	once      device.Class
	always    device.Class
	advice    scsi.Advice // in the error's text when it says so each time; 0 none
}{
	{2, []uint8{0x04}, []uint8{0x00}, 0, device.Stalled, scsi.WaitBriefly},
	{2, []uint8{0x04}, []uint8{0x01, 0x07, 0x08, 0x09}, 0, device.Stalled, scsi.Wait},
	{2, []uint8{0x04}, []uint8{0x02}, 0, device.Stalled, scsi.StartUnit},
	{2, []uint8{0x04}, []uint8{0x03}, 0, device.Stalled, scsi.Attend},
	{2, []uint8{0x04}, []uint8{0x04}, 0, device.Stalled, scsi.WaitLong},
	{2, []uint8{0x3A}, []uint8{0x00, 0x01, 0x02}, device.Gone, device.Gone, scsi.LoadDisc},
	{2, []uint8{0x3E}, []uint8{0x00, 0x01, 0x02}, 0, device.Stalled, scsi.GiveUp},
	{2, []uint8{0x30}, []uint8{0x00, 0x01, 0x02}, device.Doubtful, device.Doubtful, scsi.GiveUp},
	{2, []uint8{0x06}, []uint8{0x00}, device.Track, device.Track, scsi.TryLater},

	{3, []uint8{0x02}, []uint8{0x00}, device.Track, device.Track, scsi.TryLater},
	{3, []uint8{0x09}, []uint8{0x00, 0x01, 0x02, 0x03, 0x04, 0x05}, device.Track, device.Track, scsi.TryLater},
	{3, []uint8{0x15}, []uint8{0x00, 0x01, 0x02}, device.Track, device.Track, scsi.TryLater},
	{3, []uint8{0x10, 0x12, 0x13, 0x16}, []uint8{0x00}, device.Medium, device.Medium, 0},
	{3, []uint8{0x11}, []uint8{0x00, 0x01, 0x02, 0x03, 0x05, 0x07, 0x08}, device.Medium, device.Medium, 0},
	{3, []uint8{0x11}, []uint8{0x06}, device.Medium, device.Medium, scsi.TryRaw},
	{3, []uint8{0x11}, []uint8{0x0F, 0x10}, device.Refused, device.Refused, scsi.Ignore},
	{3, []uint8{0x11}, []uint8{0x11}, 0, device.Doubtful, scsi.NoStreaming},
	{3, []uint8{0x14}, []uint8{0x00, 0x01}, device.Medium, device.Medium, 0},
	{3, []uint8{0x30}, []uint8{0x01, 0x02}, device.Doubtful, device.Doubtful, scsi.GiveUp},
	{3, []uint8{0x31}, []uint8{0x00}, device.Doubtful, device.Doubtful, scsi.ReadBlindly},
	{3, []uint8{0x57}, []uint8{0x00}, device.Doubtful, device.Doubtful, scsi.FindSize},
	{3, []uint8{0x03, 0x0C}, []uint8{0x00, 0x02}, device.Doubtful, device.Doubtful, scsi.GiveUp},

	{4, []uint8{0x09, 0x15}, []uint8{0x00, 0x01}, device.Doubtful, device.Doubtful, scsi.TryLater},
	{4, []uint8{0x08, 0x40}, []uint8{0x00, 0x01, 0x80}, device.Doubtful, device.Doubtful, scsi.ResetDrive},
	{4, []uint8{0x1B, 0x3E, 0x44, 0x47}, []uint8{0x00}, device.Doubtful, device.Doubtful, scsi.ResetDrive},

	{5, []uint8{0x20}, []uint8{0x00}, 0, device.Refused, scsi.DoWithout}, // READ(12) then
	{5, []uint8{0x21}, []uint8{0x00, 0x07}, device.Medium, device.Medium, scsi.ClipRange},
	{5, []uint8{0x24}, []uint8{0x00}, 0, device.Refused, scsi.AskLess}, // half as much then
	{5, []uint8{0x26}, []uint8{0x00, 0x01, 0x02}, device.Refused, device.Refused, scsi.AskLess},
	{5, []uint8{0x63}, []uint8{0x00}, device.Medium, device.Medium, scsi.ClipRange},
	{5, []uint8{0x64}, []uint8{0x00}, device.Refused, device.Refused, 0},
	{5, []uint8{0x6F}, []uint8{0x00, 0x01, 0x02, 0x03, 0x04, 0x05}, device.Refused, device.Refused, scsi.LeaveAlone},
	{5, []uint8{0x30}, []uint8{0x00}, device.Doubtful, device.Doubtful, scsi.GiveUp},
	{5, []uint8{0x39}, []uint8{0x00}, device.Refused, device.Refused, scsi.DoWithout},
	{5, []uint8{0x53}, []uint8{0x02}, device.Refused, device.Refused, scsi.Unlock},

	{6, []uint8{0x28}, []uint8{0x00}, device.Changed, device.Changed, 0},
	{6, []uint8{0x29}, []uint8{0x00, 0x01, 0x02, 0x03, 0x04, 0x07}, 0, device.Changed, scsi.Reapply},
	{6, []uint8{0x2A}, []uint8{0x00, 0x01}, 0, device.Doubtful, scsi.Reread},
	{6, []uint8{0x5A}, []uint8{0x01}, 0, device.Doubtful, scsi.LetGo},
	{6, []uint8{0x5E}, []uint8{0x00, 0x01, 0x03}, 0, device.Doubtful, scsi.Reread},

	{7, []uint8{0x27}, []uint8{0x00}, device.Refused, device.Refused, scsi.GiveUp},
	{8, []uint8{0x00}, []uint8{0x00}, device.Medium, device.Medium, 0},
	{11, []uint8{0x08, 0x47, 0x4B, 0x4E}, []uint8{0x00, 0x01}, 0, device.Doubtful, scsi.AskAgain},
	{11, []uint8{0x00}, []uint8{0x06}, 0, device.Doubtful, scsi.AskAgain},

	{2, []uint8{0x2E}, []uint8{0x01}, 0, device.Doubtful, scsi.AskLess},
	{11, []uint8{0x2E}, []uint8{0x00, 0x01, 0x02}, 0, device.Doubtful, scsi.AskLess},
	{4, []uint8{0x2E}, []uint8{0x02}, 0, device.Doubtful, scsi.AskLess},
}

// Recovered errors: all data is good, the place is weak (recovered with retries, with
// CIRC, with L-EC …).
var recovered = []scsi.Sense{
	{Key: 1, ASC: 0x17}, {Key: 1, ASC: 0x17, ASCQ: 1}, {Key: 1, ASC: 0x17, ASCQ: 3}, {Key: 1, ASC: 0x18}, {Key: 1, ASC: 0x18, ASCQ: 1},
	{Key: 1, ASC: 0x18, ASCQ: 3}, {Key: 1, ASC: 0x18, ASCQ: 4},
}

// in is sense data in the ways that it may come, by name.
func in(s scsi.Sense) map[string]unit.Says {
	d := s
	d.Descriptor = true
	return map[string]unit.Says{
		"fixed, the sector named": {Sense: s}, "descriptors, the sector named": {Sense: d},
		"fixed, nothing named": {Sense: s, Unnamed: true}, "descriptors, nothing named": {Sense: d, Unnamed: true},
	}
}

func TestEveryCodeAtASector(t *testing.T) {
	d := whole(t)
	image := imageOf(t, d)
	asked, at := sector.Span(96, 32), sector.LBA(100)
	for _, c := range codes {
		for _, asc := range c.asc {
			for _, ascq := range c.ascq {
				for how, says := range in(scsi.Sense{Key: c.key, ASC: asc, ASCQ: ascq}) {
					name := fmt.Sprintf("%s, %s", says.Sense.Code(), how)
					for times, want := range map[int]device.Class{1: c.once, unit.Always: c.always} {
						m := simulated(t, unit.Pressed(d, 0), unit.Usual())
						r := attach(t, m, optical.Options{})
						m.At(sector.Span(at, 1), times, says)
						a := r.read(t, asked)
						if !bytes.Equal(a.Data, image[asked.First.Offset():][:len(a.Data)]) || len(a.Weak) > 0 {
							t.Errorf("%s, %d times: other bytes than the disc's, weak %v", name, times, a.Weak)
						}
						// What comes in front counts where the drive names the sector.
						good := int64(0)
						if !says.Unnamed && (c.key == scsi.MediumError || c.key == scsi.HardwareError || c.key == scsi.BlankCheck) {
							good = int64(at - asked.First)
						}
						switch e := a.Err; {
						case want == 0:
							if e != nil || a.Good() != asked.Count() {
								t.Errorf("%s, once: %d sectors, %v; want all", name, a.Good(), e)
							}
						case e == nil || e.Class != want:
							t.Errorf("%s, %d times: %v; want class %v", name, times, e, want)
						case want != device.Changed && e.Sense != (device.Sense{Key: uint8(c.key), ASC: asc, ASCQ: ascq}):
							t.Errorf("%s, %d times: sense %v; want that", name, times, e.Sense)
						case c.advice != 0 && times == unit.Always && !strings.Contains(e.Text, c.advice.String()):
							t.Errorf("%s: %q; want the advice %q", name, e.Text, c.advice)
						case (e.Class == device.Medium || e.Class == device.Track) && c.key == scsi.MediumError && (a.Good() != good || (e.At == at) == says.Unnamed):
							t.Errorf("%s, %d times: %d sectors, fails at %d; want %d, and the sector where it is named", name, times, a.Good(), e.At, good)
						case a.Good() > good:
							t.Errorf("%s, %d times: %d sectors; want %d at most", name, times, a.Good(), good)
						}
						if a.Err != nil && !a.Err.Last() {
							if b := r.read(t, sector.Span(200, 16)); b.Err != nil {
								t.Errorf("%s: read elsewhere = %v; want all of it", name, b.Err)
							}
						}
					}
				}
			}
		}
	}
}

func TestRecoveredErrorsAreWeakPlaces(t *testing.T) {
	d := whole(t)
	image := imageOf(t, d)
	for _, s := range recovered {
		for how, says := range in(s) {
			m := simulated(t, unit.Pressed(d, 0), unit.Usual())
			r := attach(t, m, optical.Options{})
			m.At(sector.Span(100, 1), unit.Always, says)
			if a := r.read(t, sector.Span(96, 32)); a.Err != nil || len(a.Weak) == 0 || !bytes.Equal(a.Data, image[96*sector.Size:][:32*sector.Size]) {
				t.Errorf("%s, %s: %d sectors, weak %v, %v; want all, and weak", s.Code(), how, a.Good(), a.Weak, a.Err)
			}
			if a := r.read(t, sector.Span(101, 16)); a.Err != nil || len(a.Weak) > 0 {
				t.Errorf("%s, %s: beside it: weak %v, %v; want all, not weak", s.Code(), how, a.Weak, a.Err)
			}
		}
	}
}

// A deferred error is about another command, whatever it says: the READ is sent again,
// and nothing at its place is called bad.
func TestDeferredErrors(t *testing.T) {
	d := whole(t)
	for _, key := range []scsi.Key{scsi.RecoveredError, scsi.MediumError, scsi.HardwareError, scsi.BlankCheck} {
		for how, says := range in(scsi.Sense{Key: key, ASC: 0x11, Deferred: true}) {
			m := simulated(t, unit.Pressed(d, 0), unit.Usual())
			r := attach(t, m, optical.Options{})
			m.At(sector.Span(100, 1), 1, says)
			if a := r.read(t, sector.Span(96, 32)); a.Err != nil || len(a.Weak) > 0 {
				t.Errorf("deferred key %d, %s, once: %d sectors, weak %v, %v; want all", key, how, a.Good(), a.Weak, a.Err)
			}
			m.At(sector.Span(100, 1), unit.Always, says)
			if a := r.read(t, sector.Span(96, 32)); a.Err == nil || a.Err.Class != device.Doubtful || a.Good() != 0 {
				t.Errorf("deferred key %d, %s, always: %d sectors, %v; want a doubtful failure", key, how, a.Good(), a.Err)
			}
		}
	}
}

// What a drive may say when it is opened.
func TestCodesAtOpening(t *testing.T) {
	for _, test := range []struct {
		code   scsi.Sense
		op     scsi.Op
		times  int
		what   string // in the refusal; "" where it opens
		cure   string
		noDisc bool
	}{
		{scsi.Sense{Key: 2, ASC: 4, ASCQ: 1}, scsi.OpTestUnitReady, 20, "", "", false},
		{scsi.Sense{Key: 2, ASC: 4, ASCQ: 1}, scsi.OpTestUnitReady, unit.Always, "does not become ready", "Wait", false},
		{scsi.Sense{Key: 2, ASC: 4, ASCQ: 2}, scsi.OpTestUnitReady, 1, "", "", false},
		{scsi.Sense{Key: 2, ASC: 4, ASCQ: 3}, scsi.OpTestUnitReady, unit.Always, "by hand", "switch the drive off", false},
		{scsi.Sense{Key: 2, ASC: 0x3A}, scsi.OpTestUnitReady, unit.Always, "no disc", "Put the disc in", true},
		{scsi.Sense{Key: 2, ASC: 0x3A, ASCQ: 1}, scsi.OpTestUnitReady, unit.Always, "no disc", "Put the disc in", true},
		{scsi.Sense{Key: 2, ASC: 0x3A, ASCQ: 2}, scsi.OpTestUnitReady, unit.Always, "tray is open", "Close the tray", true},
		{scsi.Sense{Key: 6, ASC: 0x29}, scsi.OpTestUnitReady, 1, "", "", false},
		{scsi.Sense{Key: 6, ASC: 0x28}, scsi.OpTestUnitReady, 1, "", "", false},
		{scsi.Sense{Key: 3, ASC: 0x57}, scsi.OpReadCapacity, unit.Always, "does not recognise", "lead-in", false},
		{scsi.Sense{Key: 3, ASC: 0x30, ASCQ: 1}, scsi.OpReadCapacity, unit.Always, "does not recognise", "lead-in", false},
		{scsi.Sense{Key: 5, ASC: 0x30}, scsi.OpTestUnitReady, unit.Always, "does not recognise", "lead-in", false},
		{scsi.Sense{Key: 3, ASC: 0x11, ASCQ: 5}, scsi.OpReadCapacity, unit.Always, "how large the disc is", "lead-in", false},
		{scsi.Sense{Key: 4, ASC: 0x44}, scsi.OpTestUnitReady, unit.Always, "at fault", "switch the drive off", false},
		{scsi.Sense{Key: 5, ASC: 0x20}, scsi.OpReadDiscInformation, unit.Always, "", "", false},
		{scsi.Sense{Key: 5, ASC: 0x20}, scsi.OpModeSense10, unit.Always, "", "", false},
		{scsi.Sense{Key: 5, ASC: 0x24}, scsi.OpReadDiscStructure, unit.Always, "", "", false},
	} {
		m := simulated(t, unit.Pressed(whole(t), 0), unit.Usual())
		m.On(test.op, test.times, unit.Says{Sense: test.code})
		r := &reader{m: m}
		err := r.attach()
		if test.what == "" {
			if err != nil {
				t.Errorf("%s to %v: Attach() = %v; want nil", test.code.Code(), test.op, err)
			} else if a := r.read(t, sector.Span(0, 16)); a.Err != nil {
				t.Errorf("%s to %v: read = %v; want all", test.code.Code(), test.op, a.Err)
			}
			continue
		}
		e, ok := errors.AsType[*device.OpenError](err)
		if !ok || !strings.Contains(e.What, test.what) || !strings.Contains(strings.ToLower(e.Cure), strings.ToLower(test.cure)) || e.NoDisc != test.noDisc {
			t.Errorf("%s to %v: Attach() = %#v; want %q, cure %q, no disc %v", test.code.Code(), test.op, err, test.what, test.cure, test.noDisc)
		}
	}
	// The last resort: a size that is assumed.
	m := simulated(t, unit.Pressed(whole(t), 0), unit.Usual())
	m.On(scsi.OpReadCapacity, unit.Always, unit.Says{Sense: scsi.Sense{Key: 3, ASC: 0x57}})
	r := attach(t, m, optical.Options{AssumeSectors: sectors})
	if r.info.Sectors != sectors || len(r.info.Notes) == 0 || !strings.Contains(r.info.Notes[0], "3/57/00") {
		t.Errorf("Info() with a size assumed = %d sectors, notes %q; want %d, and the drive's refusal", r.info.Sectors, r.info.Notes, sectors)
	}
	if a := r.read(t, sector.Span(sectors-16, 16)); a.Err != nil {
		t.Errorf("read of a disc whose size is assumed = %v; want all", a.Err)
	}
}
