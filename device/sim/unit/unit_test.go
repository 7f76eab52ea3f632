package unit

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device/scsi"
)

func TestNewWantsADriveOfTheScenario(t *testing.T) {
	s := clean(t).Scenario()
	if _, err := New(s, "B", "/dev/sim0", Usual()); err == nil || !strings.Contains(err.Error(), `"B"`) {
		t.Errorf("New of a drive that the scenario has not = %v; want an error that names it", err)
	}
	h := newHost(t, s, Usual())
	other := clean(t, `"name": "A"`, `"name": "B"`)
	if err := h.Insert(Pressed(other, 0)); err == nil {
		t.Error("Insert of a disc whose scenario has no such drive = nil; want an error")
	}
	if err := h.Insert(&Medium{Disc: clean(t), Round: 7}); err == nil {
		t.Error("Insert of a disc on the surface of round 7 = nil; want an error")
	}
	h.says(scsi.TestUnitReady{}, "2/3A/02")
}

// Which operation codes there are is package scsi's to say; of those of linux/cdrom.h
// that write (FORMAT UNIT, WRITE(10), SYNCHRONIZE CACHE, SEND OPC, CLOSE TRACK, BLANK,
// WRITE(12)) there are none.
func TestUnknownCommandsAreRefused(t *testing.T) {
	h := loaded(t, Pressed(clean(t), 0), Usual())
	known := 0
	for op := range 256 {
		cdb := make([]byte, 12)
		cdb[0] = byte(op)
		if n := scsi.Op(op).Size(); n > 0 {
			cdb = cdb[:n]
		}
		if got := code(h.raw(cdb, 64)); got == "5/20/00" {
			if last := h.last(); last.CDB[0] != byte(op) || last.Op() != scsi.Op(op) {
				t.Errorf("log has %+v; want operation code %02X", last, op)
			}
			continue
		}
		known++
	}
	if known != 22 {
		t.Errorf("%d operation codes are known; want 22", known)
	}
	for _, op := range []byte{0x04, 0x2A, 0x35, 0x54, 0x5B, 0xA1, 0xAA} {
		if got := code(h.raw(append([]byte{op}, make([]byte, 11)...), 0)); got != "5/20/00" {
			t.Errorf("operation code %02X = %q; want 5/20/00", op, got)
		}
	}
	if got := code(h.raw(nil, 0)); got != "5/20/00" {
		t.Errorf("an empty block = %q; want 5/20/00", got)
	}
	m := Usual()
	m.Lacks = []scsi.Op{scsi.OpReadTrackInformation}
	poor := loaded(t, Pressed(clean(t), 0), m)
	poor.says(scsi.ReadTrackInformation{By: scsi.ByTrack, Number: 1, Alloc: 36}, "5/20/00")
	if got := code(poor.raw([]byte{0x52, 0xFF, 0, 0, 0, 0, 0, 0, 36, 0}, 36)); got != "5/20/00" {
		t.Errorf("a wrong field of a command that the drive lacks = %q; want 5/20/00", got)
	}
}

// Blocks as they go over the cable, byte by byte; the layouts are those of linux/cdrom.h
// and of the programs that package scsi names.
func TestFieldsAreChecked(t *testing.T) {
	h := loaded(t, Pressed(clean(t), 0), Usual())
	cd := loaded(t, Recorded(clean(t), scsi.CDROM, scsi.Finalized, 4800), Usual())
	for _, test := range []struct {
		name string
		h    *host
		cdb  []byte
		code string
		at   int // byte that the field pointer names; -1 none
	}{
		{"reserved byte of TEST UNIT READY", h, []byte{0, 0, 1, 0, 0, 0}, "5/24/00", 2},
		{"control byte", h, []byte{0x25, 0, 0, 0, 0, 0, 0, 0, 0, 1}, "5/24/00", 9},
		{"INQUIRY of a page without EVPD", h, []byte{0x12, 0, 0x80, 0, 36, 0}, "5/24/00", 2},
		{"INQUIRY of page 83h", h, []byte{0x12, 1, 0x83, 0, 36, 0}, "5/24/00", 2},
		{"START STOP UNIT with a power condition", h, []byte{0x1B, 0, 0, 0, 0x31, 0}, "5/24/00", 4},
		{"asynchronous events", h, []byte{0x4A, 0, 0, 0, 0x10, 0, 0, 0, 8, 0}, "5/24/00", 1},
		{"MODE SENSE of page 08h", h, []byte{0x5A, 8, 0x08, 0, 0, 0, 0, 0, 64, 0}, "5/24/00", 2},
		{"saved values", h, []byte{0x5A, 8, 0xC1, 0, 0, 0, 0, 0, 64, 0}, "5/39/00", -1},
		{"MODE SELECT that saves", h, []byte{0x55, 0x11, 0, 0, 0, 0, 0, 0, 20, 0}, "5/24/00", 1},
		{"MODE SELECT with a list cut short", h, []byte{0x55, 0x10, 0, 0, 0, 0, 0, 0, 5, 0}, "5/1A/00", -1},
		{"GET CONFIGURATION with RT 3", h, []byte{0x46, 3, 0, 0, 0, 0, 0, 0, 64, 0}, "5/24/00", 1},
		{"READ TOC, format 2 on a DVD", h, []byte{0x43, 0, 2, 0, 0, 0, 0, 1, 0, 0}, "5/24/00", 2},
		{"READ TOC from track 9", h, []byte{0x43, 0, 0, 0, 0, 0, 9, 1, 0, 0}, "5/24/00", 6},
		{"READ DISC INFORMATION, type 1", h, []byte{0x51, 1, 0, 0, 0, 0, 0, 0, 34, 0}, "5/24/00", 1},
		{"READ TRACK INFORMATION of track 2", h, []byte{0x52, 1, 0, 0, 0, 2, 0, 0, 36, 0}, "5/24/00", 2},
		{"READ TRACK INFORMATION by 3", h, []byte{0x52, 3, 0, 0, 0, 1, 0, 0, 36, 0}, "5/24/00", 1},
		{"READ TRACK INFORMATION beyond the disc", h, []byte{0x52, 0, 0, 0, 0xFF, 0, 0, 0, 36, 0}, "5/21/00", -1},
		{"READ DISC STRUCTURE of a disc key", h, []byte{0xAD, 0, 0, 0, 0, 0, 0, 2, 8, 0, 0, 0}, "5/24/00", 7},
		{"READ DISC STRUCTURE of layer 1", h, []byte{0xAD, 0, 0, 0, 0, 0, 1, 0, 8, 0, 0, 0}, "5/24/00", 6},
		{"READ DISC STRUCTURE of a BD", h, []byte{0xAD, 1, 0, 0, 0, 0, 0, 0, 8, 0, 0, 0}, "5/30/02", -1},
		{"READ DISC STRUCTURE of media type 2", h, []byte{0xAD, 2, 0, 0, 0, 0, 0, 0, 8, 0, 0, 0}, "5/24/00", 1},
		{"READ DISC STRUCTURE of a CD", cd, []byte{0xAD, 0, 0, 0, 0, 0, 0, 0, 8, 0, 0, 0}, "5/30/02", -1},
		{"GET PERFORMANCE of defects", h, []byte{0xAC, 0, 0, 0, 0, 0, 0, 0, 0, 9, 2, 0}, "5/24/00", 10},
		{"GET PERFORMANCE of exceptions", h, []byte{0xAC, 1, 0, 0, 0, 0, 0, 0, 0, 9, 0, 0}, "5/24/00", 1},
		{"GET PERFORMANCE from beyond the disc", h, []byte{0xAC, 0x10, 0, 0xFF, 0, 0, 0, 0, 0, 9, 0, 0}, "5/21/00", -1},
		{"SET CD SPEED of 0", h, []byte{0xBB, 0, 0, 0, 0xFF, 0xFF, 0, 0, 0, 0, 0, 0}, "5/24/00", 2},
		{"SET CD SPEED of another rotation", h, []byte{0xBB, 2, 0xFF, 0xFF, 0, 0, 0, 0, 0, 0, 0, 0}, "5/24/00", 1},
		{"SET STREAMING of another type", h, []byte{0xB6, 0, 0, 0, 0, 0, 0, 0, 5, 0, 28, 0}, "5/24/00", 8},
		{"SET STREAMING with a short list", h, []byte{0xB6, 0, 0, 0, 0, 0, 0, 0, 0, 0, 27, 0}, "5/24/00", 9},
		{"READ CD with C2", cd, []byte{0xBE, 0, 0, 0, 0, 0, 0, 0, 1, 0x12, 0, 0}, "5/24/00", 9},
		{"READ CD with sub-channel", cd, []byte{0xBE, 0, 0, 0, 0, 0, 0, 0, 1, 0x10, 1, 0}, "5/24/00", 10},
		{"READ CD of whole sectors", cd, []byte{0xBE, 0, 0, 0, 0, 0, 0, 0, 1, 0xF8, 0, 0}, "5/24/00", 9},
		{"READ CD of sound", cd, []byte{0xBE, 4, 0, 0, 0, 0, 0, 0, 1, 0x10, 0, 0}, "5/64/00", -1},
		{"READ CD beyond the track", cd, []byte{0xBE, 0, 0, 0, 0x12, 0xBF, 0, 0, 2, 0x10, 0, 0}, "5/21/00", -1},
		{"too short a block", h, []byte{0x28, 0, 0, 0, 0, 0, 0, 0}, "5/24/00", 8},
	} {
		a := test.h.raw(test.cdb, 64)
		if got := code(a); got != test.code || a.Residual != 64 {
			t.Errorf("%s = %q with %d bytes; want %q and none", test.name, got, 64-a.Residual, test.code)
			continue
		}
		inCommand, at, ok := test.h.sense(a).Field()
		if ok != (test.at >= 0) || ok && (!inCommand || int(at) != test.at) {
			t.Errorf("%s: the field pointer is %v, byte %d, valid %v; want byte %d of the command", test.name, inCommand, at, ok, test.at)
		}
	}
}

// MMC and SPC: which commands need a disc.
func TestConditions(t *testing.T) {
	about := map[string][]scsi.Request{
		"the disc": {scsi.TestUnitReady{}, read10(0, 1), scsi.Read12{Blocks: 1}, scsi.ReadCD{Blocks: 1, Main: scsi.UserData}, scsi.Seek10{},
			scsi.ReadCapacity{}, scsi.ReadTOC{Alloc: 12}, scsi.ReadDiscInformation{Alloc: 34}, scsi.ReadTrackInformation{By: scsi.ByTrack, Number: 1, Alloc: 36},
			scsi.ReadDiscStructure{Alloc: 36}, scsi.GetPerformance{DataType: scsi.NominalRead, Max: 1}},
		"the drive": {scsi.Inquiry{Alloc: 36}, scsi.RequestSense{Alloc: 18}, scsi.GetConfiguration{Alloc: 64},
			scsi.GetEventStatus{Polled: true, Classes: scsi.MediaClass, Alloc: 8}, scsi.ModeSense10{Page: scsi.PageRecovery, Alloc: 64},
			scsi.MechanismStatus{Alloc: 8}, scsi.SetCDSpeed{Read: scsi.MaxSpeed}, scsi.PreventAllow{}},
	}
	disc := Pressed(clean(t), 0)
	for _, test := range []struct {
		name, code string
		to         func(h *host)
	}{
		{"tray open", "2/3A/02", func(h *host) { h.says(scsi.StartStopUnit{LoadEject: true}, "") }},
		{"no disc", "2/3A/01", func(h *host) { h.Remove(); h.Press() }},
		{"stopped", "2/04/02", func(h *host) { h.says(scsi.StartStopUnit{}, "") }},
		{"spinning up", "2/04/01", func(h *host) {
			h.says(scsi.StartStopUnit{}, "")
			h.says(scsi.StartStopUnit{Start: true, Immediate: true}, "")
		}},
		{"put in", "2/04/01", func(h *host) { h.Insert(disc) }},
	} {
		h := loaded(t, disc, Usual())
		test.to(h)
		for _, r := range about["the disc"] {
			a, _ := h.send(r)
			if code(a) != test.code {
				t.Errorf("%s: %v = %q; want %q", test.name, r.Command(), code(a), test.code)
			}
			if s := h.sense(a); test.code == "2/04/01" {
				if part, ok := s.Progress(); !ok || part == 0xFFFF {
					t.Errorf("%s: progress %d, %v; want how far it is", test.name, part, ok)
				}
			}
		}
		for _, r := range about["the drive"] {
			if a, _ := h.send(r); code(a) != "" {
				t.Errorf("%s: %v = %q; want good", test.name, r.Command(), code(a))
			}
		}
		s := tells(h, scsi.RequestSense{Alloc: 252, Descriptor: true}, scsi.ParseSense)
		if s.Code() != test.code || !s.Descriptor {
			t.Errorf("%s: REQUEST SENSE = %v, descriptor %v; want %s in that format", test.name, s, s.Descriptor, test.code)
		}
	}
	h := loaded(t, disc, Usual())
	for _, r := range slices.Concat(about["the disc"], about["the drive"]) {
		if _, isCD := r.(scsi.ReadCD); isCD {
			continue // a DVD has none of its sectors
		}
		h.says(r, "")
	}
	if s := tells(h, scsi.RequestSense{Alloc: 18}, scsi.ParseSense); s != (scsi.Sense{}) {
		t.Errorf("REQUEST SENSE of a drive that has nothing to say = %v; want no sense", s)
	}
}

func TestTrayAndSpindle(t *testing.T) {
	disc := Pressed(clean(t), 0)
	h := loaded(t, disc, Usual())
	h.says(scsi.PreventAllow{Prevent: true}, "")
	h.says(scsi.StartStopUnit{LoadEject: true}, "5/53/02")
	media := func() scsi.MediaStatus {
		t.Helper()
		return tells(h, scsi.GetEventStatus{Polled: true, Classes: scsi.MediaClass, Alloc: 8}, scsi.ParseMediaStatus)
	}
	event := func(want scsi.MediaEvent, open, present bool) {
		t.Helper()
		if s := media(); s.Event != want || s.DoorOpen != open || s.Present != present {
			t.Errorf("event status %+v; want event %d, open %v, present %v", s, want, open, present)
		}
	}
	event(scsi.NoEvent, false, true)
	h.Press()
	event(scsi.EjectRequest, false, true)
	event(scsi.NoEvent, false, true)
	h.says(scsi.TestUnitReady{}, "")
	h.says(scsi.PreventAllow{}, "")
	h.says(scsi.StartStopUnit{LoadEject: true}, "")
	event(scsi.Removal, true, false)
	if m := tells(h, scsi.MechanismStatus{Alloc: 8}, scsi.ParseMechanism); !m.DoorOpen {
		t.Errorf("MECHANISM STATUS with the tray open = %+v; want it open", m)
	}
	h.says(scsi.StartStopUnit{Start: true}, "2/3A/02")
	h.says(scsi.StartStopUnit{LoadEject: true, Start: true}, "")
	event(scsi.NewMedium, false, true)
	h.says(scsi.TestUnitReady{}, "6/28/00")
	h.says(scsi.TestUnitReady{}, "")
	h.says(scsi.StartStopUnit{}, "")
	h.says(scsi.StartStopUnit{Start: true}, "") // waits
	h.says(read10(0, 16), "")
	event(scsi.NoEvent, false, true)
	if s := tells(h, scsi.GetEventStatus{Polled: true, Classes: 1, Alloc: 8}, scsi.ParseMediaStatus); !s.None || s.Supported != scsi.MediaClass {
		t.Errorf("event status of another class = %+v; want none", s)
	}
	h.Press()
	h.says(scsi.TestUnitReady{}, "2/3A/02")
	h.Press()
	h.Wait(trayTime + spinUp - 1)
	h.says(scsi.TestUnitReady{}, "2/04/01")
	h.Wait(1)
	h.says(scsi.TestUnitReady{}, "6/28/00")
}

// Ready, then not, then ready: a disc that was in before goes on with its attempts,
// another is another.
func TestSwap(t *testing.T) {
	first, second := Pressed(clean(t), 0), Pressed(clean(t, `"seed": 9`, `"seed": 10`), 0)
	h := loaded(t, first, Usual())
	h.says(scsi.SetCDSpeed{Read: 5000}, "")
	h.selectRetries(2)
	_, b := h.says(read10(100, 16), "")
	b = bytes.Clone(b)
	h.Insert(second)
	h.says(read10(100, 16), "2/04/01")
	h.Wait(time.Minute)
	h.says(read10(100, 16), "6/28/00")
	_, c := h.says(read10(100, 16), "")
	if bytes.Equal(b, c) {
		t.Error("the second disc has the bytes of the first")
	}
	if page, limit, _ := h.Settings(); page.ReadRetries != 2 || limit != 0 {
		t.Errorf("behind a change of disc: %d retries, cap %d; want 2 and none", page.ReadRetries, limit)
	}
	h.load(first)
	if _, c := h.says(read10(100, 16), ""); !bytes.Equal(b, c) {
		t.Error("the first disc has other bytes than before")
	}
}

// A surface that no drive sees through is no disc.
func TestDullDisc(t *testing.T) {
	d := newDisc(t, `"marks": [`, `"marks": [{"haze": {"region_mm": [20, 60], "density": 9}},`)
	h := newHost(t, d.Scenario(), Usual())
	if err := h.Insert(Pressed(d, 0)); err != nil {
		t.Fatal(err)
	}
	h.says(scsi.TestUnitReady{}, "2/04/01")
	h.Wait(time.Minute)
	h.says(scsi.TestUnitReady{}, "2/3A/01")
	s := tells(h, scsi.GetEventStatus{Polled: true, Classes: scsi.MediaClass, Alloc: 8}, scsi.ParseMediaStatus)
	if s.Present || s.Event == scsi.NewMedium {
		t.Errorf("event status %+v; want no disc", s)
	}
}

func TestResetsAndAttentions(t *testing.T) {
	h := loaded(t, Pressed(clean(t), 0), Usual())
	set := func() {
		t.Helper()
		h.selectRetries(2)
		h.says(scsi.SetCDSpeed{Read: 5000}, "")
		h.says(scsi.PreventAllow{Prevent: true}, "")
		if page, limit, own := h.Settings(); page.ReadRetries != 2 || limit != 5000 || own {
			t.Fatalf("Settings() = %+v, %d, %v; want 2 retries, 5000 and not its own", page, limit, own)
		}
	}
	lost := func(after string) {
		t.Helper()
		if page, limit, own := h.Settings(); page.ReadRetries != 4 || limit != 0 || !own {
			t.Errorf("Settings() after %s = %+v, %d, %v; want 4 retries, no cap, its own", after, page, limit, own)
		}
	}
	set()
	h.Reset()
	lost("a reset")
	for _, r := range []scsi.Request{scsi.Inquiry{Alloc: 36}, scsi.GetConfiguration{Alloc: 8}, scsi.GetEventStatus{Polled: true, Alloc: 8}} {
		h.says(r, "")
	}
	h.says(read10(0, 16), "6/29/00")
	h.says(read10(0, 16), "")
	h.Reset()
	h.Reset()
	if s := tells(h, scsi.RequestSense{Alloc: 18}, scsi.ParseSense); s.Code() != "6/29/00" {
		t.Errorf("REQUEST SENSE after a reset = %v; want 6/29/00", s)
	}
	h.says(scsi.StartStopUnit{LoadEject: true}, "") // told, and unlocked

	h.load(Pressed(clean(t), 0))
	set()
	h.PowerCycle()
	lost("power on")
	h.says(scsi.TestUnitReady{}, "6/29/01")
	h.says(scsi.TestUnitReady{}, "2/04/01")
	h.Wait(spinUp)
	h.Reset() // comes before what it may have caused
	h.says(scsi.TestUnitReady{}, "6/29/00")
	h.says(scsi.TestUnitReady{}, "6/28/00")

	set()
	h.Unplug()
	h.says(scsi.TestUnitReady{}, "unplugged")
	if n := h.Node(); n != "" {
		t.Errorf("Node() of an unplugged drive = %q; want none", n)
	}
	h.Plug("/dev/sim7")
	lost("plugging in")
	if n := h.Node(); n != "/dev/sim7" {
		t.Errorf("Node() = %q; want /dev/sim7", n)
	}
	h.says(scsi.TestUnitReady{}, "6/29/01")

	m := Usual()
	m.Descriptor = true
	d := loaded(t, Pressed(clean(t), 0), m)
	d.Reset()
	if a, _ := d.send(scsi.TestUnitReady{}); !d.sense(a).Descriptor {
		t.Errorf("sense data % X; want descriptor format", a.Sense)
	}
}

// A host polls a drive that spins up; each question takes no time of its own.
func TestClock(t *testing.T) {
	h := newHost(t, clean(t).Scenario(), Usual())
	h.Insert(Pressed(clean(t), 0))
	start := h.Now()
	polls := 0
	for a := (Answer{Status: scsi.CheckCondition}); code(a) != ""; polls++ {
		h.Wait(100 * time.Millisecond)
		a, _ = h.send(scsi.TestUnitReady{})
	}
	if got := h.Now() - start; got < trayTime+spinUp || got > trayTime+spinUp+time.Second || polls < 50 {
		t.Errorf("ready after %v and %d polls; want %v", got, polls, trayTime+spinUp)
	}
	h.Wait(-time.Hour)
	for i, e := range h.Log() {
		if e.End < e.Start || i > 0 && e.Start < h.log[i-1].End {
			t.Fatalf("log entry %d: %v to %v; want time to go on", i, e.Start, e.End)
		}
	}
	h.ClearLog()
	if n := len(h.Log()); n != 0 {
		t.Errorf("ClearLog leaves %d entries; want none", n)
	}
}

// Whatever comes, the unit answers within the rules: never more data than there is
// room for, sense data with each CHECK CONDITION, time that goes on.
func FuzzDo(f *testing.F) {
	for _, r := range []scsi.Request{read10(0, 16), scsi.ModeSense10{Page: 0x3F, Alloc: 200}, scsi.ReadTOC{Alloc: 100}, scsi.Inquiry{EVPD: true, Page: 0x80, Alloc: 50},
		scsi.ReadDiscStructure{Format: scsi.StructList, Alloc: 64}, scsi.ModeSelect10{Length: 20}, scsi.SetStreaming{Length: 28}, scsi.StartStopUnit{LoadEject: true}} {
		f.Add(r.Command().CDB(), make([]byte, 40))
	}
	p := scsi.Recovery{Flags: scsi.ARRE, ReadRetries: 1}.Page()
	_, list, _ := scsi.SelectMode(p)
	f.Add(scsi.ModeSelect10{Length: 20}.Command().CDB(), list)
	d := clean(f)
	f.Fuzz(func(t *testing.T, cdb, data []byte) {
		u, err := New(d.Scenario(), "A", "/dev/sim0", Usual())
		if err != nil || u.Insert(Pressed(d, 0)) != nil {
			t.Fatal(err)
		}
		u.Wait(time.Minute)
		now := u.Now()
		for range 3 { // two attentions come first
			a := u.Do(cdb, data, time.Second)
			if a.Residual < 0 || a.Residual > len(data) {
				t.Fatalf("Do(% X) with %d bytes leaves a residual of %d", cdb, len(data), a.Residual)
			}
			if _, err := scsi.ParseSense(a.Sense); (a.Status == scsi.CheckCondition) != (err == nil) {
				t.Fatalf("Do(% X) = status %02X with sense data % X", cdb, a.Status, a.Sense)
			}
			if u.Now() < now {
				t.Fatalf("Do(% X) took the clock from %v to %v", cdb, now, u.Now())
			}
			now = u.Now()
			if page, _, _ := u.Settings(); page.ReadRetries < 1 || page.Flags&^(scsi.TB|scsi.RC|scsi.PER) != scsi.ARRE {
				t.Fatalf("Do(% X) % X set %+v", cdb, data, page)
			}
		}
	})
}
