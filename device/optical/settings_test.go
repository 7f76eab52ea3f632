package optical

import (
	"encoding/json"
	"errors"
	"testing"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

func retries(n uint8) device.Settings { return device.Settings{Retries: &n} }

func TestSet(t *testing.T) {
	both := func(n uint8, speed int) device.Settings { return device.Settings{Retries: &n, SpeedKBps: speed} }
	for _, test := range []struct {
		name string
		make func(c *canned)
		set  device.Settings
		ok   bool
		page byte // read retry count then
		sent []scsi.Op
	}{
		{"a count", nil, retries(0), true, 0, []scsi.Op{scsi.OpModeSelect10}},
		{"the largest", nil, retries(255), true, 255, []scsi.Op{scsi.OpModeSelect10}},
		{"a speed", nil, device.Settings{SpeedKBps: 2770}, true, 4, []scsi.Op{scsi.OpSetCDSpeed}},
		{"both", nil, both(1, 2770), true, 1, []scsi.Op{scsi.OpSetCDSpeed, scsi.OpModeSelect10}},
		{"a speed that is none", nil, device.Settings{SpeedKBps: -1}, false, 4, nil},
		{"a drive that changes nothing", func(c *canned) { c.mask[3] = 0 }, both(1, 2770), false, 4, nil},
		{"a drive that changes four bits", func(c *canned) { c.mask[3] = 0x0F }, retries(16), false, 4, nil},
		{"and one of these", func(c *canned) { c.mask[3] = 0x0F }, retries(15), true, 15, []scsi.Op{scsi.OpModeSelect10}},
		{"a drive that rounds", func(c *canned) { c.rounds = func(n uint8) uint8 { return max(n, 2) } },
			retries(1), false, 4, []scsi.Op{scsi.OpModeSelect10, scsi.OpModeSelect10}},
		{"a drive without page 01h", func(c *canned) { c.page = nil }, retries(1), false, 0, nil},
		{"a drive without a mask", func(c *canned) { c.mask = nil }, retries(1), false, 4, nil},
		{"MODE SELECT unknown", func(c *canned) { c.refuse[scsi.OpModeSelect10] = invalidOpcode }, both(1, 2770), false, 4,
			[]scsi.Op{scsi.OpSetCDSpeed, scsi.OpModeSelect10, scsi.OpSetCDSpeed}}, // the speed is taken back
		{"SET CD SPEED unknown", func(c *canned) { c.refuse[scsi.OpSetCDSpeed] = invalidOpcode }, device.Settings{SpeedKBps: 2770}, true, 4,
			[]scsi.Op{scsi.OpSetCDSpeed, scsi.OpSetStreaming}},
		{"no speed at all", func(c *canned) {
			c.refuse[scsi.OpSetCDSpeed], c.refuse[scsi.OpSetStreaming] = invalidOpcode, invalidField
		}, both(1, 2770), false, 4, []scsi.Op{scsi.OpSetCDSpeed, scsi.OpSetStreaming}},
		{"a page of the old length", func(c *canned) {
			c.page = append(scsi.ModePage{1, 6}, c.page[2:8]...)
			c.mask = append(scsi.ModePage{1, 6}, c.mask[2:8]...)
		}, retries(3), true, 3, []scsi.Op{scsi.OpModeSelect10}},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := cannedDVD(2000)
			if test.make != nil {
				test.make(c)
			}
			d := c.mustOpen(t)
			c.log = nil
			err := d.set(test.set)
			if test.ok != (err == nil) || !test.ok && !errors.Is(err, device.ErrUnsupported) {
				t.Errorf("set = %v; want ok %v", err, test.ok)
			}
			if c.page != nil && c.page[3] != test.page {
				t.Errorf("read retry count %d; want %d", c.page[3], test.page)
			}
			var sent []scsi.Op
			for _, cmd := range c.log {
				if setsSomething(cmd.Op()) {
					sent = append(sent, cmd.Op())
				}
			}
			if len(sent) != len(test.sent) {
				t.Fatalf("commands %v; want %v", sent, test.sent)
			}
			for i, op := range test.sent {
				if sent[i] != op {
					t.Fatalf("commands %v; want %v", sent, test.sent)
				}
			}
		})
	}
}

func TestRestore(t *testing.T) {
	c := cannedDVD(2000)
	own := append(scsi.ModePage(nil), c.page...)
	d := c.mustOpen(t)
	original, err := d.Call(callOwn, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.set(device.Settings{Retries: new(uint8), SpeedKBps: 1385}); err != nil {
		t.Fatalf("set = %v; want nil", err)
	}
	// A pass that was killed, and the next one: another opening of the drive as it was
	// left.
	next := c.mustOpen(t)
	c.log = nil
	if _, err := next.Call(callRestore, original); err != nil {
		t.Errorf("restore = %v; want nil", err)
	}
	if !c.page.Equal(own) || c.count(scsi.OpSetCDSpeed) != 1 {
		t.Errorf("page % X, %d speeds; want % X and the drive's own speed", []byte(c.page), c.count(scsi.OpSetCDSpeed), []byte(own))
	}
	c.log = nil
	if err := next.restore(original); err != nil || c.count(scsi.OpModeSelect10) != 0 {
		t.Errorf("restore of what is so = %v, %d MODE SELECT; want nil, none", err, c.count(scsi.OpModeSelect10))
	}
	c.refuse[scsi.OpModeSelect10] = invalidOpcode
	c.page[3] = 9
	if err := next.restore(original); err == nil {
		t.Error("restore that the drive refuses = nil; want an error")
	}
	if err := next.restore([]byte("{")); err == nil {
		t.Error("restore of nonsense = nil; want an error")
	}
	if _, err := next.Call("nonsense", nil); !errors.Is(err, device.ErrUnsupported) {
		t.Errorf("Call(nonsense) = %v; want %v", err, device.ErrUnsupported)
	}
}

// Flags under which wrong bytes may come as good ones are taken back before the first
// READ, not at the opening: by then the map knows what is to be restored.
func TestTrust(t *testing.T) {
	c := cannedDVD(2000)
	c.page[2] |= byte(scsi.TB | scsi.DCR)
	own := append(scsi.ModePage(nil), c.page...)
	d := c.mustOpen(t)
	original, _ := json.Marshal(d.own)
	c.after = func(cmd scsi.Command) {
		if r, err := c.page.Recovery(); cmd.Op() == scsi.OpRead10 && (err != nil || r.Flags.InDoubt()) {
			t.Errorf("READ under flags %02Xh", uint8(r.Flags))
		}
	}
	for range 2 {
		if out := readOf(t, d, sector.Span(0, 48)); out.Err != nil {
			t.Fatalf("Read = %v; want all of it", out.Err)
		}
	}
	if len(c.selected) != 1 || c.page[2] != byte(scsi.ARRE) {
		t.Errorf("page 01h set %d times, flags %02Xh; want once, %02Xh", len(c.selected), c.page[2], byte(scsi.ARRE))
	}
	if err := d.restore(original); err != nil || !c.page.Equal(own) {
		t.Errorf("restore = %v, page % X; want nil, % X", err, []byte(c.page), []byte(own))
	}
	// A read after that takes them back again.
	if out := readOf(t, d, sector.Span(48, 48)); out.Err != nil {
		t.Errorf("Read = %v; want all of it", out.Err)
	}
	// One that takes the command and changes nothing is not read.
	c.page, c.after = append(scsi.ModePage(nil), own...), nil
	d.trusted = false
	c.before = func(cmd scsi.Command) (Result, error, bool) { return Result{}, nil, cmd.Op() == scsi.OpModeSelect10 }
	if out := readOf(t, d, sector.Span(96, 48)); out.Err == nil || out.Err.Class != device.Refused {
		t.Errorf("Read under flags %02Xh = %d good, %v; want refused", c.page[2], out.Good, out.Err)
	}
	c.before = nil
	// A drive that promised to change and does not is not read.
	c.mask[2] = 0
	d.trusted = false
	if out := readOf(t, d, sector.Span(96, 48)); out.Err == nil || out.Err.Class != device.Refused || !contains(out.Err.Text, "could not correct") {
		t.Errorf("Read = %d good, %v; want refused", out.Good, out.Err)
	}
}

// A drive opened anew after a stall still has what was set; its own settings are those
// of the first opening.
func TestSettingsOutlastAReopening(t *testing.T) {
	c := cannedDVD(2000)
	first := c.mustOpen(t)
	if err := first.set(retries(0)); err != nil {
		t.Fatal(err)
	}
	c.mask[3] = 0 // a drive that answers current values whatever is asked for
	d, err := attach(c, c, spec{Options: Options{Node: "/canned", Stall: first.stall}, Known: &first.own})
	if err != nil {
		t.Fatalf("attach = %v; want nil", err)
	}
	if got := d.info.Retries; got == nil || got.Own != 4 || d.own.Page[3] != 4 {
		t.Errorf("retry counts %+v, own page % X; want those of the first opening", got, []byte(d.own.Page))
	}
}

func TestEject(t *testing.T) {
	for _, test := range []struct {
		name string
		make func(c *canned)
		ok   bool
		sent int
	}{
		{"an unlocked tray", nil, true, 1},
		{"a locked tray", func(c *canned) {
			locked := true
			c.before = func(cmd scsi.Command) (Result, error, bool) {
				locked = locked && cmd.Op() != scsi.OpPreventAllow
				return check(scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x53, ASCQ: 2}, 0), nil, locked && cmd.Op() == scsi.OpStartStopUnit
			}
		}, true, 3},
		{"no tray", func(c *canned) { c.refuse[scsi.OpStartStopUnit] = invalidField }, false, 1},
	} {
		c := cannedDVD(2000)
		d := c.mustOpen(t)
		if test.make != nil {
			test.make(c)
		}
		c.log = nil
		_, err := d.Call(callEject, nil)
		if (err == nil) != test.ok || len(c.log) != test.sent || !test.ok && !errors.Is(err, device.ErrUnsupported) {
			t.Errorf("eject of %s = %v after %v; want ok %v after %d commands", test.name, err, c.log, test.ok, test.sent)
		}
	}
	c := cannedDVD(2000)
	d := c.mustOpen(t)
	c.log = nil
	if _, err := d.Call(callStop, nil); err != nil || c.log[0].CDB()[4] != 0 {
		t.Errorf("stop = %v, %v; want START STOP UNIT with Start 0", err, c.log)
	}
}

// Read retry counts are offered where every one from the least to the drive's own can
// be set, not where a mask has holes: drives that answer with the current values
// whatever is asked for give their own count, 4, as the mask.
func TestRetryCounts(t *testing.T) {
	for mask, want := range map[byte]*device.RetryCounts{
		0xFF: {Least: 0, Own: 4}, 0x07: {Least: 0, Own: 4}, 0x03: {Least: 4, Own: 4}, 0x04: nil, 0xF0: nil, 0: nil,
	} {
		c := cannedDVD(2000)
		c.mask[3] = mask
		got := c.mustOpen(t).info.Retries
		if (got == nil) != (want == nil) || got != nil && *got != *want {
			t.Errorf("retries with the mask %02Xh = %v; want %v", mask, got, want)
		}
	}
}
