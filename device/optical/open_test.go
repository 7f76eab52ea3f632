package optical

import (
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devnode"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

func TestOpeningTellsAll(t *testing.T) {
	d := cannedDVD(2000).mustOpen(t)
	want := device.Info{
		Node: "/canned", Vendor: "INVENTED", Model: "DVD 1", Serial: "S1", Kind: "dvd",
		Sectors: 2000, BlockSectors: 16, MaxSectors: 48, Depth: depth, Medium: devnode.BootID() + "/7", WholeBlocks: true,
		Written: []sector.Range{sector.Span(0, 2000)}, Sessions: []sector.LBA{0}, Layers: []int64{2000},
		Retries:  &device.RetryCounts{Least: 0, Own: 4},
		Identity: map[string]string{"physical format": "2000 sectors, one layer"},
	}
	if !reflect.DeepEqual(d.info, want) {
		t.Errorf("info = %+v; want %+v", d.info, want)
	}
}

// Each is one awkward drive or disc, and the words that the user gets.
func TestOpeningRefused(t *testing.T) {
	notReady := func(s scsi.Sense) func(c *canned) {
		return func(c *canned) { c.wakes, c.sleepy = 1<<30, s }
	}
	for _, test := range []struct {
		name   string
		make   func(c *canned)
		words  []string // in what and cure
		noDisc bool
		errno  error
	}{
		{"no disc", notReady(noMedium), []string{"no disc in it", "Put the disc in"}, true, nil},
		{"tray open", notReady(trayOpen), []string{"tray is open", "Close the tray"}, true, nil},
		{"never ready", notReady(becomingReady), []string{"does not become ready: 2/04/01", "24 mm"}, false, nil},
		{"by hand", notReady(scsi.Sense{Key: scsi.NotReadyKey, ASC: 4, ASCQ: 3}), []string{"by hand", "off and on"}, false, nil},
		{"lead-in unreadable", func(c *canned) { c.refuse[scsi.OpReadCapacity] = scsi.Sense{Key: scsi.MediumError, ASC: 0x57} },
			[]string{"does not recognise the disc: 3/57/00", "just inside 24 mm: clean it, try another drive, and only then polish that ring", "--assume-sectors N"}, false, nil},
		{"unknown format", notReady(scsi.Sense{Key: scsi.NotReadyKey, ASC: 0x30, ASCQ: 1}), []string{"does not recognise the disc: 2/30/01"}, false, nil},
		{"size unreadable", func(c *canned) { c.refuse[scsi.OpReadCapacity] = mediumError }, []string{"how large the disc is: 3/11/05", "24 mm"}, false, nil},
		{"hardware", notReady(scsi.Sense{Key: scsi.HardwareError, ASC: 0x44}), []string{"at fault: 4/44/00 internal target failure"}, false, nil},
		{"attention without end", notReady(mayHaveChange), []string{"TEST UNIT READY: 6/28/00"}, false, nil},
		{"HD DVD", func(c *canned) { c.config.Current = 0x50 }, []string{"HD DVD-ROM is not read", "--kind"}, false, nil},
		{"hard disk", func(c *canned) { c.who.Type = 0 }, []string{"not an optical drive"}, false, nil},
		{"inquiry of no bytes", func(c *canned) { c.answer[scsi.OpInquiry] = []byte{} }, []string{"INQUIRY", "too short"}, false, nil},
		{"blank", func(c *canned) { c.disc.Disc = scsi.Blank }, []string{"blank: nothing is recorded"}, false, nil},
		{"changed again and again", func(c *canned) {
			c.after = func(scsi.Command) { c.seq++ }
		}, []string{"again and again"}, false, nil},
		{"damaged blocks transferred, for this user", func(c *canned) {
			c.page[2] |= byte(scsi.DCR)
			c.cantSet = unix.EACCES
		}, []string{"this user may not change that", "write to /canned"}, false, unix.EACCES},
		{"audio disc", func(c *canned) {
			c.config.Current, c.structure = scsi.CDROM, nil
			c.toc.Tracks[0].Control, c.tracks[0].TrackMode = 0, 0
		}, []string{"audio disc"}, false, nil},
		{"no capacity at all", func(c *canned) { c.answer[scsi.OpReadCapacity] = []byte{}; c.tracks = nil },
			[]string{"does not say how large", "--assume-sectors"}, false, nil},
		{"capacity beyond sense", func(c *canned) { c.capacity.Last = 0xFFFFFFFE; c.tracks = nil },
			[]string{"4294967295 sectors, which can't be"}, false, nil},
		{"capacity of 0", func(c *canned) { c.capacity.Last = 0; c.tracks = nil }, []string{"1 sectors, which can't be"}, false, nil},
		{"blocks of 512", func(c *canned) { c.capacity.BlockLen = 512 }, []string{"blocks have 512 bytes"}, false, nil},
		{"gone", func(c *canned) {
			c.before = func(scsi.Command) (Result, error, bool) { return Result{}, unix.ENODEV, true }
		}, []string{"gone", "plugged in"}, false, unix.ENODEV},
		{"unplugged meanwhile", func(c *canned) {
			c.before = func(scsi.Command) (Result, error, bool) { return Result{Host: HostNoConnect}, nil, true }
		}, []string{"not connected"}, false, unix.ENODEV},
		{"commands kept from us", func(c *canned) {
			c.before = func(scsi.Command) (Result, error, bool) { return Result{}, unix.EPERM, true }
		}, []string{"INQUIRY: EPERM"}, false, unix.EPERM},
		{"sense of nothing", func(c *canned) {
			c.before = func(scsi.Command) (Result, error, bool) {
				return Result{Status: scsi.CheckCondition}, nil, true
			}
		}, []string{"says nothing"}, false, nil},
		{"busy for ever", func(c *canned) {
			c.before = func(scsi.Command) (Result, error, bool) { return Result{Status: scsi.Busy}, nil, true }
		}, []string{"busy"}, false, nil},
		{"reserved", func(c *canned) {
			c.before = func(scsi.Command) (Result, error, bool) { return Result{Status: scsi.Conflict}, nil, true }
		}, []string{"another host"}, false, nil},
		{"damaged blocks transferred, for good", func(c *canned) {
			c.page[2] |= byte(scsi.TB)
			c.mask[2] = 0
		}, []string{"could not correct", "flags 60h", "does not let that be changed"}, false, nil},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := cannedDVD(2000)
			test.make(c)
			d, err := c.open()
			if d != nil {
				t.Fatalf("attach = %+v; want an error", d.info)
			}
			e, ok := errors.AsType[*device.OpenError](err)
			if !ok || !contains(e.What+" "+e.Cure, test.words...) || e.NoDisc != test.noDisc || test.errno != nil && !errors.Is(e, test.errno) {
				t.Errorf("attach = %#v; want %q, no disc %v, %v", err, test.words, test.noDisc, test.errno)
			}
			if c.waited > 3*time.Minute {
				t.Errorf("it waited %v; want 3 minutes at most", c.waited)
			}
		})
	}
}

// Each is one awkward drive that can be used all the same.
func TestOpeningAllTheSame(t *testing.T) {
	for _, test := range []struct {
		name    string
		make    func(c *canned)
		options Options
		check   func(c *canned, i device.Info) bool
	}{
		{"spins up", func(c *canned) { c.wakes, c.sleepy = 9, becomingReady }, Options{},
			func(c *canned, _ device.Info) bool { return c.waited == 9*readyPause }},
		{"wants to be started", func(c *canned) {
			c.wakes, c.sleepy = 1, scsi.Sense{Key: scsi.NotReadyKey, ASC: 4, ASCQ: 2}
		}, Options{}, func(c *canned, _ device.Info) bool { return c.count(scsi.OpStartStopUnit) == 1 }},
		{"has things to tell", func(c *canned) { c.tell = []scsi.Sense{wasReset, {Key: scsi.UnitAttention, ASC: 0x2A, ASCQ: 1}} },
			Options{}, func(_ *canned, i device.Info) bool { return i.Medium != "" }},
		{"tells us alone that the disc was changed", func(c *canned) { c.tell = []scsi.Sense{mayHaveChange} },
			Options{}, func(_ *canned, i device.Info) bool { return i.Medium == "" }},
		{"has an event that the kernel has not seen", func(c *canned) { c.event = scsi.NewMedium },
			Options{}, func(_ *canned, i device.Info) bool { return i.Medium == "" }},
		{"has no events", func(c *canned) { c.noEvents = true },
			Options{}, func(_ *canned, i device.Info) bool { return i.Medium == "" }},
		{"kernel without a disk sequence", func(c *canned) { c.seqless = true },
			Options{}, func(_ *canned, i device.Info) bool { return i.Medium == "" }},
		{"half of the commands", func(c *canned) {
			for _, op := range []scsi.Op{scsi.OpGetConfiguration, scsi.OpReadDiscInformation, scsi.OpReadTrackInformation,
				scsi.OpReadTOC, scsi.OpReadDiscStructure, scsi.OpModeSense10, scsi.OpGetEventStatus} {
				c.refuse[op] = invalidOpcode
			}
		}, Options{}, func(_ *canned, i device.Info) bool {
			return i.Kind == "unknown" && i.Sectors == 2000 && i.BlockSectors == 16 && !i.WholeBlocks && i.Written == nil &&
				i.Retries == nil && i.Identity == nil && i.Medium == ""
		}},
		{"and the user knows the kind", func(c *canned) { c.refuse[scsi.OpGetConfiguration] = invalidOpcode },
			Options{Kind: "bd"}, func(_ *canned, i device.Info) bool { return i.Kind == "bd" && i.MaxSectors == 32 }},
		{"a kind that is not read, and the user insists", func(c *canned) { c.config.Current = 0x50 },
			Options{Kind: "dvd"}, func(_ *canned, i device.Info) bool { return i.Kind == "dvd" }},
		{"lengths of 0", func(c *canned) {
			for _, op := range []scsi.Op{scsi.OpGetConfiguration, scsi.OpReadDiscInformation, scsi.OpReadTrackInformation,
				scsi.OpReadTOC, scsi.OpReadDiscStructure, scsi.OpModeSense10, scsi.OpGetEventStatus} {
				c.answer[op] = make([]byte, 40)
			}
		}, Options{}, func(_ *canned, i device.Info) bool { return i.Kind == "unknown" && i.Sectors == 2000 }},
		{"lengths of 65535", func(c *canned) {
			for _, op := range []scsi.Op{scsi.OpReadDiscInformation, scsi.OpReadTrackInformation,
				scsi.OpReadTOC, scsi.OpReadDiscStructure, scsi.OpModeSense10, scsi.OpGetEventStatus} {
				c.answer[op] = []byte{0xFF, 0xFF, 0, 0}
			}
		}, Options{}, func(_ *canned, i device.Info) bool { return i.Kind == "dvd" && i.Sectors == 2000 && i.Written == nil }},
		{"all bits set", func(c *canned) {
			for _, op := range []scsi.Op{scsi.OpReadTrackInformation, scsi.OpReadTOC, scsi.OpReadDiscStructure, scsi.OpGetEventStatus} {
				c.answer[op] = slices.Repeat([]byte{0xFF}, 2052)
			}
		}, Options{}, func(_ *canned, i device.Info) bool { return i.Sectors == 2000 && i.Written == nil }},
		{"lead-in unreadable, size known", func(c *canned) { c.refuse[scsi.OpReadCapacity] = scsi.Sense{Key: scsi.MediumError, ASC: 0x57} },
			Options{AssumeSectors: 5000, Kind: "dvd"}, func(_ *canned, i device.Info) bool {
				return i.Sectors == 5000 && contains(strings.Join(i.Notes, " "), "3/57/00", "5000 sectors is assumed", "24 mm")
			}},
		{"capacity that can't be, size known", func(c *canned) { c.capacity.Last = 0xFFFFFFFE; c.tracks = nil },
			Options{AssumeSectors: 5000}, func(_ *canned, i device.Info) bool { return i.Sectors == 5000 }},
		{"capacity known, less assumed", func(*canned) {}, Options{AssumeSectors: 500},
			func(_ *canned, i device.Info) bool { return i.Sectors == 2000 }},
		{"the disc is changed while it is asked", func(c *canned) {
			c.after = func(cmd scsi.Command) {
				if cmd.Op() == scsi.OpReadDiscInformation && c.seq == 7 {
					c.seq++
				}
			}
		}, Options{}, func(c *canned, i device.Info) bool {
			return c.count(scsi.OpReadCapacity) == 2 && strings.HasSuffix(i.Medium, "/8")
		}},
		{"the drive says so while it is asked", func(c *canned) {
			c.after = func(cmd scsi.Command) {
				if cmd.Op() == scsi.OpReadDiscInformation && c.count(scsi.OpReadDiscInformation) == 1 {
					c.tell = []scsi.Sense{mayHaveChange}
				}
			}
		}, Options{}, func(c *canned, i device.Info) bool { return c.count(scsi.OpReadCapacity) == 2 && i.Medium == "" }},
		{"a track of which it tells nothing", func(c *canned) { c.disc.LastLast = 2 }, Options{},
			func(_ *canned, i device.Info) bool { return i.Written == nil }},
		{"a user who may not set it", func(c *canned) { c.cantSet = unix.EACCES }, Options{}, func(_ *canned, i device.Info) bool {
			return i.Retries == nil && len(i.Notes) == 1 && contains(i.Notes[0], "can't be changed by this user (EACCES")
		}},
		{"protected titles", func(c *canned) {
			c.structure[scsi.ReadDiscStructure{Format: scsi.StructCopyright}] = scsi.Copyright{Protection: 1}.Append(nil)
		}, Options{}, func(_ *canned, i device.Info) bool {
			return len(i.Notes) == 1 && contains(i.Notes[0], "protected by CSS", "left alone")
		}},
		{"a host that takes less than a block", func(c *canned) { c.limit = 8 * sector.Size }, Options{},
			func(_ *canned, i device.Info) bool { return i.MaxSectors == 16 }},
		{"a host that takes anything", func(c *canned) { c.limit = 1 << 30 }, Options{},
			func(_ *canned, i device.Info) bool { return i.MaxSectors == 128 }},
		{"damaged blocks transferred, until that is changed", func(c *canned) { c.page[2] |= byte(scsi.TB | scsi.DCR) }, Options{},
			func(c *canned, _ device.Info) bool { return len(c.selected) == 0 }}, // the first READ's business
	} {
		t.Run(test.name, func(t *testing.T) {
			c := cannedDVD(2000)
			test.make(c)
			d, err := c.openFor(test.options)
			if err != nil {
				t.Fatalf("attach = %v; want nil", err)
			}
			if !test.check(c, d.info) {
				t.Errorf("info = %+v, waited %v; want otherwise", d.info, c.waited)
			}
		})
	}
}

func TestLargest(t *testing.T) {
	for _, test := range []struct{ limit, block, piece, request int }{
		{60, 16, 48, 48}, {60, 32, 32, 32}, {60, 1, 60, 60}, {16, 16, 16, 16}, {15, 16, 15, 16},
		{31, 32, 31, 32}, {0, 16, 1, 16}, {4096, 16, 128, 128}, {4096, 1, 128, 128},
	} {
		if piece, request := largest(test.limit*sector.Size, test.block); piece != test.piece || request != test.request {
			t.Errorf("largest(%d sectors, %d) = %d, %d; want %d, %d", test.limit, test.block, piece, request, test.piece, test.request)
		}
	}
	for read, want := range map[int]int{48: 2304, 60: 2280, 32: 2304, 128: 2304, 16: 2304, 500: 2000, 1500: 1500, 2500: 2500} {
		if got := several(read); got != want {
			t.Errorf("several(%d) = %d; want %d", read, got, want)
		}
	}
}

// FuzzOpening has a drive answer anything to everything: whatever it is, the opening
// ends, and what it says holds together.
func FuzzOpening(f *testing.F) {
	f.Add([]byte{}, uint64(1))
	f.Add([]byte{5, 0x80, 5, 2, 31, 0, 0, 0, 'A'}, uint64(2))
	f.Add(slices.Repeat([]byte{0xFF}, 300), uint64(3))
	f.Fuzz(func(t *testing.T, b []byte, seed uint64) {
		c := cannedDVD(2000)
		n := seed
		c.before = func(cmd scsi.Command) (Result, error, bool) {
			n = n*6364136223846793005 + 1442695040888963407
			switch n >> 60 {
			case 0:
				return Result{Status: scsi.CheckCondition, Sense: b}, nil, true
			case 1, 2, 3:
				c.answer[cmd.Op()] = b
			default:
				delete(c.answer, cmd.Op())
			}
			return Result{}, nil, false
		}
		d, err := c.open()
		if err != nil {
			return
		}
		i := d.info
		if i.Sectors < 1 || i.Sectors > mostSectors || i.MaxSectors < 1 || i.MaxSectors%i.BlockSectors != 0 || d.piece < 1 {
			t.Errorf("info = %+v; want what makes sense", i)
		}
		at := sector.LBA(0)
		for _, r := range i.Written {
			if r.Empty() || r.First < at || int64(r.End) > i.Sectors {
				t.Errorf("written %v of %d sectors; want ranges in order, on the disc", i.Written, i.Sectors)
			}
			at = r.End
		}
		var sum int64
		for _, n := range i.Layers {
			sum += n
		}
		if len(i.Layers) > 0 && sum != i.Sectors {
			t.Errorf("layers %v of %d sectors; want all of them", i.Layers, i.Sectors)
		}
	})
}
