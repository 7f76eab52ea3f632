package unit

import (
	"bytes"
	"slices"
	"testing"
	"time"

	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
)

var (
	medium   = scsi.Sense{Key: scsi.MediumError, ASC: 0x11, ASCQ: 0x05}
	servo    = scsi.Sense{Key: scsi.HardwareError, ASC: 0x09, ASCQ: 0x01}
	repeated = scsi.Sense{Key: scsi.RecoveredError, ASC: 0x17, ASCQ: 0x01}
	aborted  = scsi.Sense{Key: scsi.AbortedCommand, ASC: 0x47}
)

func TestScriptedSenseAtASector(t *testing.T) {
	d := clean(t)
	truth := loaded(t, Pressed(d, 0), Usual())
	_, b := truth.says(read10(0, 64), "")
	b = bytes.Clone(b)
	with := func(s scsi.Sense, change func(s *scsi.Sense)) scsi.Sense { change(&s); return s }
	for _, test := range []struct {
		name    string
		says    Says
		came    int   // sectors of 64
		at      int64 // of valid information; -1 not valid
		garbage uint64
	}{
		{"medium error", Says{Sense: medium}, 20, 20, 20},
		{"in descriptor format", Says{Sense: with(medium, func(s *scsi.Sense) { s.Descriptor = true })}, 20, 20, 20},
		{"unnamed", Says{Sense: medium, Unnamed: true}, 20, -1, 0},
		{"unnamed, with something in its place", Says{Sense: with(medium, func(s *scsi.Sense) { s.Information = 7 }), Unnamed: true}, 20, -1, 7},
		{"another place named", Says{Sense: with(medium, func(s *scsi.Sense) { s.Information, s.Valid = 7, true }), Unnamed: true}, 20, 7, 7},
		{"hardware error", Says{Sense: servo}, 20, 20, 20},
		{"recovered", Says{Sense: repeated}, 64, 20, 20},
		{"aborted", Says{Sense: aborted}, 0, 20, 20},
		{"deferred", Says{Sense: with(medium, func(s *scsi.Sense) { s.Deferred = true })}, 0, 20, 20},
		{"not ready", Says{Sense: scsi.Sense{Key: scsi.NotReadyKey, ASC: 4, ASCQ: 1}, Unnamed: true}, 0, -1, 0},
	} {
		h := loaded(t, Pressed(d, 0), Usual())
		h.At(sector.Span(20, 3), 2, test.says)
		for range 2 {
			a, got := h.send(read10(0, 64))
			s := h.sense(a)
			if len(got) != test.came*sector.Size || !bytes.Equal(got, b[:len(got)]) {
				t.Errorf("%s: %d bytes came; want %d sectors of the disc", test.name, len(got), test.came)
			}
			lba, named := s.LBA()
			want := test.says.Sense
			if s.Key != want.Key || s.ASC != want.ASC || s.ASCQ != want.ASCQ || s.Descriptor != want.Descriptor || s.Deferred != want.Deferred ||
				named != (test.at >= 0) || named && lba != test.at || s.Information != test.garbage {
				t.Errorf("%s: sense %+v; want %+v, naming %d", test.name, s, want, test.at)
			}
			if e := h.last(); e.Good != int64(test.came) || e.Sense != s {
				t.Errorf("%s: the log has %+v; want %d good", test.name, e, test.came)
			}
		}
		h.says(read10(0, 64), "") // worn off
	}
}

// The lowest sector is met first, and of two rules about it the newest.
func TestRulesInTheirOrder(t *testing.T) {
	h := loaded(t, Pressed(clean(t), 0), Usual())
	h.At(sector.Span(30, 10), Always, Says{Sense: medium})
	h.At(sector.Span(35, 1), 1, Says{Sense: servo})
	h.At(sector.Span(10, 1), 1, Says{Sense: aborted})
	h.says(read10(0, 64), "B/47/00")
	h.says(read10(35, 1), "4/09/01")
	h.says(read10(35, 1), "3/11/05")
	h.says(read10(0, 64), "3/11/05")
	h.says(read10(0, 30), "")
	h.says(read10(40, 30), "")
	h.Behave()
	h.says(read10(0, 64), "")
}

func TestScriptedCommands(t *testing.T) {
	h := loaded(t, Pressed(clean(t), 0), Usual())
	h.On(scsi.OpTestUnitReady, 1, Says{Sense: scsi.Sense{Key: scsi.NotReadyKey, ASC: 0x3E}})
	h.On(scsi.OpReadCapacity, 1, Says{Sense: repeated})
	h.On(scsi.OpReadCapacity, 1, Says{Sense: scsi.Sense{Key: scsi.MediumError, ASC: 0x57}})
	h.On(scsi.OpRead12, 2, Ends{Status: scsi.Busy})
	h.says(scsi.TestUnitReady{}, "2/3E/00")
	h.says(scsi.TestUnitReady{}, "")
	h.says(scsi.ReadCapacity{}, "3/57/00")
	if _, b := h.says(scsi.ReadCapacity{}, "1/17/01"); len(b) != 8 {
		t.Errorf("a recovered READ CAPACITY brings %d bytes; want 8", len(b))
	}
	h.says(scsi.Read12{Blocks: 4}, "status 08h")
	h.says(read10(0, 4), "")
	h.says(scsi.Read12{Blocks: 4}, "status 08h")
	h.says(scsi.Read12{Blocks: 4}, "")
	if e := h.Log()[len(h.log)-2]; e.Status != scsi.Busy || e.Range != sector.Span(0, 4) || e.Good != 0 {
		t.Errorf("log has %+v; want busy, nothing good", e)
	}
	h.Remove() // a rule is met whether there is a disc or not
	h.On(scsi.OpReadCapacity, 1, Says{Sense: medium})
	h.says(scsi.ReadCapacity{}, "3/11/05")
	h.says(scsi.ReadCapacity{}, "2/3A/02")
}

func TestGarblesAndDrops(t *testing.T) {
	h := loaded(t, Pressed(clean(t), 0), Usual())
	_, b := h.says(read10(0, 32), "")
	b = bytes.Clone(b)
	h.At(sector.Span(10, 2), 1, Garbles{})
	_, c := h.says(read10(0, 32), "")
	for i := range 32 {
		same := bytes.Equal(b[i*sector.Size:][:sector.Size], c[i*sector.Size:][:sector.Size])
		if same == (i == 10 || i == 11) {
			t.Errorf("sector %d has the disc's bytes %v; want 10 and 11 garbled", i, same)
		}
	}
	if e := h.last(); e.Good != 10 {
		t.Errorf("the log has %d good; want 10", e.Good)
	}
	for i := range h.data {
		h.data[i] = 0x5A
	}
	h.At(sector.Span(10, 2), 1, Drops{})
	a, c := h.says(read10(0, 32), "")
	if a.Residual != 0 || !bytes.Equal(c[:10*sector.Size], b[:10*sector.Size]) || len(bytes.Trim(c[10*sector.Size:], "\x5A")) != 0 {
		t.Errorf("READ with its end dropped: residual %d; want 10 sectors, the rest as it was, and 0", a.Residual)
	}
	h.On(scsi.OpReadCapacity, 1, Drops{})
	if _, c := h.says(scsi.ReadCapacity{}, ""); !bytes.Equal(c, b[:8]) {
		t.Errorf("READ CAPACITY dropped leaves % X; want what was there", c)
	}
	h.On(scsi.OpReadCapacity, 1, Garbles{})
	if c := tells(h, scsi.ReadCapacity{}, scsi.ParseCapacity); c.Last == 4799 {
		t.Error("READ CAPACITY is not garbled")
	}
}

// A stall in its kinds: what ends it, how long commands wait, and what is left after.
func TestHangs(t *testing.T) {
	for _, test := range []struct {
		name  string
		hangs Hangs
		end   func(h *host)
		then  string
	}{
		{"by itself", Hangs{For: 45 * time.Second}, func(h *host) { h.Wait(45 * time.Second) }, ""},
		{"at a reset", Hangs{Needs: sim.Reset}, func(h *host) { h.Wait(time.Hour); h.says(scsi.TestUnitReady{}, "unheard"); h.Reset() }, "6/29/00"},
		{"at a reload", Hangs{Needs: sim.Reload}, func(h *host) {
			h.Reset()
			h.Press()
			h.says(scsi.TestUnitReady{}, "unheard")
			h.PowerCycle()
		}, "6/29/01"},
		{"with a paper clip", Hangs{Needs: sim.Reload}, func(h *host) { h.Remove() }, "6/29/01"},
		{"not at a reset", Hangs{For: time.Hour}, func(h *host) { h.Reset(); h.says(scsi.TestUnitReady{}, "unheard"); h.Wait(time.Hour) }, "6/29/00"},
	} {
		h := loaded(t, Pressed(clean(t), 0), Usual())
		h.selectRetries(2)
		h.At(sector.Span(20, 1), 1, test.hangs)
		h.patience = 7 * time.Second
		start := h.Now()
		a, b := h.says(read10(16, 16), "unheard")
		if got := h.Now() - start; got != h.patience || a.Residual != 0 || h.last().Good != 0 || len(b) != 16*sector.Size {
			t.Errorf("%s: the command took %v; want the host's 7 s, and nothing said", test.name, got)
		}
		if test.hangs.For != 0 {
			h.says(scsi.Inquiry{Alloc: 36}, "unheard")
			if got := h.Now() - start; got != 2*h.patience {
				t.Errorf("%s: two commands took %v; want 14 s", test.name, got)
			}
		}
		test.end(h)
		h.says(scsi.TestUnitReady{}, test.then)
		if page, _, _ := h.Settings(); (page.ReadRetries == 2) != (test.then == "") {
			t.Errorf("%s: %d retries are left; want them lost at a reset only", test.name, page.ReadRetries)
		}
	}
	// With patience enough the next command waits.
	h := loaded(t, Pressed(clean(t), 0), Usual())
	h.On(scsi.OpInquiry, 1, Hangs{For: 45 * time.Second})
	h.patience = time.Minute
	start := h.Now()
	h.says(scsi.Inquiry{Alloc: 36}, "unheard")
	h.says(read10(0, 16), "")
	if got := h.Now() - start; got < time.Minute || got > 61*time.Second {
		t.Errorf("a lost command and a READ took %v; want the host's minute and little more", got)
	}
}

// A drive that comes back from a stall under another name, as the scenario says.
func TestReturnsUnderAnotherName(t *testing.T) {
	for _, needs := range []sim.Cure{sim.Waiting, sim.Reset, sim.Reload} {
		d := newDisc(t, "CHANCE", "1", "STALL", `, "needs": "`+string(needs)+`", "returns_as": "/dev/sim9"`)
		h := loaded(t, Pressed(d, 0), Usual())
		h.selectRetries(2)
		h.patience = 10 * time.Second
		h.says(read10(0, 16), "unheard") // the track is lost there
		if n := h.Node(); n != "/dev/sim0" {
			t.Fatalf("needs %s: Node() while it is silent = %q; want /dev/sim0", needs, n)
		}
		h.Wait(2 * time.Minute)
		switch needs {
		case sim.Reset:
			h.Reset()
		case sim.Reload:
			h.PowerCycle()
		}
		if n := h.Node(); n != "/dev/sim9" {
			t.Errorf("needs %s: Node() behind the stall = %q; want /dev/sim9", needs, n)
		}
		if _, _, own := h.Settings(); !own {
			t.Errorf("needs %s: settings outlast the drive's coming back; want its own", needs)
		}
	}
	// A command that waits for it is lost with its old name.
	d := newDisc(t, "CHANCE", "1", "STALL", `, "returns_as": "/dev/sim9"`)
	h := loaded(t, Pressed(d, 0), Usual())
	h.patience = time.Second
	h.says(read10(0, 16), "unheard")
	h.patience = time.Hour
	h.says(scsi.TestUnitReady{}, "unplugged")
	h.says(scsi.TestUnitReady{}, "6/29/01")
}

func TestUnplugsAtASector(t *testing.T) {
	h := loaded(t, Pressed(clean(t), 0), Usual())
	h.At(sector.Span(20, 1), 1, Unplugs{})
	h.says(read10(16, 4), "")
	h.says(read10(16, 16), "unplugged")
	h.says(scsi.Inquiry{Alloc: 36}, "unplugged")
	h.Plug("/dev/sim0")
	h.Wait(time.Minute)
	for _, want := range []string{"6/29/01", "6/28/00", ""} {
		h.says(read10(16, 16), want)
	}
	fates := []Fate{}
	for _, e := range h.Log() {
		if e.Range == sector.Span(16, 16) {
			fates = append(fates, e.Fate)
		}
	}
	if !slices.Equal(fates, []Fate{Unplugged, Answered, Answered, Answered}) {
		t.Errorf("the log's fates are %v; want unplugged, then answered", fates)
	}
}

// What the drive does beyond the scenario's physics is the same each time.
func TestDeterministic(t *testing.T) {
	run := func() []Entry {
		h := loaded(t, Pressed(newDisc(t, "CHANCE", "0.2"), 0), Usual())
		h.At(sector.Span(100, 40), 3, Says{Sense: medium})
		for a := sector.LBA(0); a < 4800; a += 48 {
			h.send(read10(a, 48))
		}
		return h.Log()
	}
	a, b := run(), run()
	for i := range a {
		a[i].CDB, b[i].CDB = nil, nil
		if !slices.EqualFunc(a[i:i+1], b[i:i+1], func(x, y Entry) bool {
			return x.Start == y.Start && x.End == y.End && x.Good == y.Good && x.Sense == y.Sense && x.Fate == y.Fate
		}) {
			t.Fatalf("entry %d of two runs: %+v and %+v; want the same", i, a[i], b[i])
		}
	}
}
