package optical

import (
	"testing"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// What happens between two reads, and what the second one delivers: all of it, or
// nothing and why.
func TestBetweenReads(t *testing.T) {
	count := uint8(9)
	for _, test := range []struct {
		name  string
		make  func(c *canned)
		does  func(c *canned)
		class device.Class // 0: all comes
	}{
		{"disc may have changed", nil, func(c *canned) { c.tell = []scsi.Sense{mayHaveChange} }, device.Changed},
		{"the kernel took its word and counted", nil, func(c *canned) { c.seq++ }, device.Changed},
		{"an event, where the kernel does not count", func(c *canned) { c.seqless = true },
			func(c *canned) { c.event = scsi.NewMedium }, device.Changed},
		{"taken out, where the kernel does not count", func(c *canned) { c.seqless = true },
			func(c *canned) { c.event = scsi.Removal }, device.Changed},
		{"the button pressed", nil, func(c *canned) {
			c.tell = []scsi.Sense{{Key: scsi.UnitAttention, ASC: 0x5A, ASCQ: 1}}
		}, 0},
		{"parameters changed", nil, func(c *canned) {
			c.tell = []scsi.Sense{{Key: scsi.UnitAttention, ASC: 0x2A, ASCQ: 1}}
		}, 0},
		{"an unknown attention", nil, func(c *canned) {
			c.tell = []scsi.Sense{{Key: scsi.UnitAttention, ASC: 0xBB}}
		}, device.Changed},
		{"notices without end", nil, func(c *canned) {
			for range 100 {
				c.tell = append(c.tell, scsi.Sense{Key: scsi.UnitAttention, ASC: 0x2A})
			}
		}, device.Doubtful},
		{"reset", nil, func(c *canned) { c.tell = []scsi.Sense{wasReset} }, 0},
		{"reset, and then a change", nil, func(c *canned) { c.tell = []scsi.Sense{wasReset, mayHaveChange} }, device.Changed},
		{"reset, spinning up", nil, func(c *canned) {
			c.tell, c.wakes, c.sleepy = []scsi.Sense{wasReset}, 2, becomingReady
		}, device.Changed},
		{"reset, another disc", nil, func(c *canned) {
			c.tell = []scsi.Sense{wasReset}
			c.tracks[0].DataMode = 2
		}, device.Changed},
		{"reset, of which the kernel counts a change", nil, func(c *canned) { c.tell, c.seq = []scsi.Sense{wasReset}, 8 }, device.Changed},
		{"reset, no disc", nil, func(c *canned) {
			c.tell, c.wakes, c.sleepy = []scsi.Sense{wasReset}, 1<<30, noMedium
		}, device.Gone},
		{"reset, never ready", nil, func(c *canned) {
			c.tell, c.wakes, c.sleepy = []scsi.Sense{wasReset}, 1<<30, becomingReady
		}, device.Stalled},
		{"resets without end", nil, func(c *canned) {
			c.before = func(cmd scsi.Command) (Result, error, bool) {
				return check(wasReset, 0), nil, cmd.Op() == scsi.OpRead10
			}
		}, device.Changed},
		{"spun down and up", nil, func(c *canned) { c.tell, c.wakes, c.sleepy = []scsi.Sense{becomingReady}, 2, becomingReady }, 0},
		{"spun down and up, where the kernel does not count", func(c *canned) { c.seqless = true },
			func(c *canned) { c.tell = []scsi.Sense{becomingReady} }, device.Changed},
		{"disc may have changed, its identifier has not", recordable, func(c *canned) { c.tell = []scsi.Sense{mayHaveChange} }, 0},
		{"said while it was set", nil, func(c *canned) {
			c.tell = []scsi.Sense{mayHaveChange}
			c.test(retries(5))
		}, device.Changed},
		{"said while its settings were restored", nil, func(c *canned) {
			c.tell = []scsi.Sense{mayHaveChange}
			c.test(device.Settings{})
		}, device.Changed},
		{"reset, said while it was set", nil, func(c *canned) {
			c.tell = []scsi.Sense{wasReset}
			c.test(retries(9))
		}, 0},
		{"and again while it is looked at", nil, func(c *canned) {
			c.tell = []scsi.Sense{wasReset}
			c.after = func(cmd scsi.Command) {
				if cmd.Op() == scsi.OpReadTOC && len(c.log) < 20 {
					c.tell = append(c.tell, mayHaveChange)
				}
			}
		}, device.Changed},
		{"and while it is set again", nil, func(c *canned) {
			c.tell = []scsi.Sense{wasReset}
			c.after = func(cmd scsi.Command) {
				if cmd.Op() == scsi.OpModeSense10 && c.count(scsi.OpModeSense10) == 1 {
					c.tell = append(c.tell, mayHaveChange)
				}
			}
		}, device.Changed},
		{"disc changed, its identifier too", recordable, func(c *canned) {
			c.tell = []scsi.Sense{mayHaveChange}
			c.structure[scsi.ReadDiscStructure{Format: scsi.StructUniqueID}] = []byte{0, 1, '2', '0', '2', '6'}
		}, device.Changed},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := cannedDVD(2000)
			if test.make != nil {
				test.make(c)
			}
			d := c.mustOpen(t)
			if err := d.set(device.Settings{Retries: &count, SpeedKBps: 2770}); err != nil {
				t.Fatalf("set = %v; want nil", err)
			}
			if out := readOf(t, d, sector.Span(0, 48)); out.Err != nil {
				t.Fatalf("Read = %v; want all of it", out.Err)
			}
			c.page = scsi.Recovery{ReadRetries: 4, WriteRetries: 4, Flags: scsi.ARRE}.Page() // as after a reset
			c.log = nil
			c.test = func(s device.Settings) {
				if s == (device.Settings{}) {
					d.restore([]byte("{}"))
				} else {
					d.set(s)
				}
			}
			test.does(c)
			out := readOf(t, d, sector.Span(48, 48))
			switch {
			case test.class == 0 && out.Err != nil:
				t.Errorf("Read = %v; want all of it", out.Err)
			case test.class != 0 && (out.Err == nil || out.Err.Class != test.class || out.Good != 0):
				t.Errorf("Read = %d good, %v; want none, %v", out.Good, out.Err, test.class)
			}
			if n := len(c.reads()); test.class == device.Changed && n > 1 && test.name != "resets without end" {
				t.Errorf("%d READ commands of a disc that was changed; want 1 at most", n)
			}
			// A drive that lost its settings has them again before it reads on.
			if c.count(scsi.OpTestUnitReady) > 0 && out.Err == nil && (c.page[3] != count || c.count(scsi.OpSetCDSpeed) != 1) {
				t.Errorf("read retry count %d, %d speeds set; want %d and 1", c.page[3], c.count(scsi.OpSetCDSpeed), count)
			}
		})
	}
}

// recordable makes the disc one that has a unique identifier.
func recordable(c *canned) {
	c.config.Current = scsi.DVDRSeq
	c.structure[scsi.ReadDiscStructure{Format: scsi.StructUniqueID}] = []byte{0, 1, '2', '0', '2', '5', 0, 0}
}

// Of a request in several commands that is delivered which came before the change: each
// was looked at by itself.
func TestChangedBetweenPieces(t *testing.T) {
	c := cannedDVD(2000)
	c.limit = 6 * sector.Size
	d := c.mustOpen(t)
	c.after = func(cmd scsi.Command) {
		if cmd.Op() == scsi.OpRead10 && len(c.reads()) == 1 {
			c.tell = []scsi.Sense{mayHaveChange}
		}
	}
	if out := readOf(t, d, sector.Span(0, 16)); out.Good != 6 || out.Err == nil || out.Err.Class != device.Changed {
		t.Errorf("Read = %d good, %v; want 6, disc changed", out.Good, out.Err)
	}
}

// The look at the kernel's number comes after the data: a disc that is changed while
// it comes is noticed.
func TestChangedWhileReading(t *testing.T) {
	c := cannedDVD(2000)
	d := c.mustOpen(t)
	c.after = func(cmd scsi.Command) {
		if cmd.Op() == scsi.OpRead10 {
			c.seq++
		}
	}
	if out := readOf(t, d, sector.Span(0, 48)); out.Good != 0 || out.Err == nil || out.Err.Class != device.Changed {
		t.Errorf("Read = %d good, %v; want none, disc changed", out.Good, out.Err)
	}
}
