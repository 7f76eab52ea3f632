package optical

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/devicetest"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// canned is a drive that answers by command: just what a test puts into it. It is
// both the transport and the host.
type canned struct {
	who       scsi.InquiryData
	config    scsi.Configuration
	capacity  scsi.Capacity
	disc      scsi.DiscInformation
	tracks    []scsi.TrackInformation
	toc       scsi.TOC
	structure map[scsi.ReadDiscStructure][]byte // by media type, layer and format
	page      scsi.ModePage
	mask      scsi.ModePage
	event     scsi.MediaEvent
	noEvents  bool

	refuse map[scsi.Op]scsi.Sense // these commands fail, always
	answer map[scsi.Op][]byte     // these have that response, whatever the fields say
	fails  map[sector.LBA]scsi.Sense
	tell   []scsi.Sense // unit attentions, told by the next commands that tell them
	wakes  int          // so many questions until it is ready
	sleepy scsi.Sense   // what it says till then
	noFUA  bool
	rounds func(uint8) uint8 // what it makes of a read retry count
	lies   int               // bytes less than it says go with each READ
	before func(c scsi.Command) (Result, error, bool)
	after  func(c scsi.Command)
	test   func(s device.Settings) // sets the opened drive; none: restores it

	limit    int
	away     string
	seq      uint64
	seqless  bool
	waited   time.Duration
	log      []scsi.Command
	selected []scsi.ModePage
	closed   bool
	cantSet  error
}

// Senses that the tests use (FACTS of the trade: SPC's codes).
var (
	mediumError   = scsi.Sense{Key: scsi.MediumError, ASC: 0x11, ASCQ: 0x05}
	recovered     = scsi.Sense{Key: scsi.RecoveredError, ASC: 0x17, ASCQ: 0x01}
	mayHaveChange = scsi.Sense{Key: scsi.UnitAttention, ASC: 0x28}
	wasReset      = scsi.Sense{Key: scsi.UnitAttention, ASC: 0x29}
	invalidOpcode = scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x20}
	invalidField  = scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x24}
	outOfRange    = scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x21}
	becomingReady = scsi.Sense{Key: scsi.NotReadyKey, ASC: 0x04, ASCQ: 0x01}
	noMedium      = scsi.Sense{Key: scsi.NotReadyKey, ASC: 0x3A}
	trayOpen      = scsi.Sense{Key: scsi.NotReadyKey, ASC: 0x3A, ASCQ: 0x02}
)

// at is sense data that names the failing sector.
func at(s scsi.Sense, a sector.LBA) scsi.Sense {
	s.Valid, s.Information = true, uint64(a)
	return s
}

// cannedDVD is a pressed DVD in a drive of which nothing is wrong.
func cannedDVD(sectors int64) *canned {
	const start = 0x30000 // of physical sector numbers (ECMA-267)
	physical := scsi.PhysicalFormat{Layers: 1, Embossed: true, Start: start, End: start + uint32(sectors) - 1}
	c := &canned{
		who: scsi.InquiryData{Type: scsi.TypeCDDVD, Removable: true, Vendor: "INVENTED", Product: "DVD 1", Revision: "1.00"},
		config: scsi.Configuration{Current: scsi.DVDROM, Features: []scsi.Feature{
			scsi.ProfileList(scsi.ListedProfile{Profile: scsi.DVDROM, Current: true}, scsi.ListedProfile{Profile: scsi.CDROM}),
			scsi.CDRead{C2: true}.Feature(false), scsi.SerialFeature("S1"), scsi.FirmwareFeature("20250102000000"),
		}},
		capacity: scsi.Capacity{Last: uint32(sectors - 1), BlockLen: 2048},
		disc:     scsi.DiscInformation{Disc: scsi.Finalized, LastSession: scsi.CompleteSession, FirstTrack: 1, Sessions: 1, LastFirst: 1, LastLast: 1},
		tracks:   []scsi.TrackInformation{{Track: 1, Session: 1, TrackMode: 4, DataMode: 1, Size: uint32(sectors)}},
		toc: scsi.TOC{First: 1, Last: 1, Tracks: []scsi.TOCTrack{
			{ADR: 1, Control: 4, Number: 1}, {ADR: 1, Control: 4, Number: scsi.LeadOutTrack, Address: uint32(sectors)}}},
		structure: map[scsi.ReadDiscStructure][]byte{
			{Format: scsi.StructPhysical}:  physical.Append(nil),
			{Format: scsi.StructCopyright}: scsi.Copyright{}.Append(nil),
		},
		page:  scsi.Recovery{ReadRetries: 4, WriteRetries: 4, Flags: scsi.ARRE}.Page(),
		mask:  scsi.Recovery{ReadRetries: 255, Flags: scsi.TB | scsi.PER | scsi.DTE | scsi.DCR}.Page(),
		fails: map[sector.LBA]scsi.Sense{}, refuse: map[scsi.Op]scsi.Sense{}, answer: map[scsi.Op][]byte{},
		limit: 60 * sector.Size, seq: 7,
	}
	return c
}

// cannedCD is a CD of data, mode 1.
func cannedCD(sectors int64) *canned {
	c := cannedDVD(sectors)
	c.config.Current = scsi.CDROM
	c.structure = nil
	return c
}

// count is how often a command was sent.
func (c *canned) count(op scsi.Op) (n int) {
	for _, sent := range c.log {
		if sent.Op() == op {
			n++
		}
	}
	return n
}

// reads are the ranges that READ commands named, with their FUA bits.
func (c *canned) reads() (list []scsi.Read10) {
	for _, sent := range c.log {
		if r, err := scsi.Parse(sent.CDB()); err == nil {
			switch r := r.(type) {
			case scsi.Read10:
				list = append(list, r)
			case scsi.Read12:
				list = append(list, scsi.Read10{LBA: r.LBA, Blocks: uint16(r.Blocks), FUA: r.FUA})
			}
		}
	}
	return list
}

// quiet tells which commands tell no unit attention (SPC).
func quiet(op scsi.Op) bool {
	switch op {
	case scsi.OpInquiry, scsi.OpRequestSense, scsi.OpGetConfiguration, scsi.OpGetEventStatus:
		return true
	}
	return false
}

// Do implements Transport.
func (c *canned) Do(cmd scsi.Command, data []byte, _ time.Duration) (Result, error) {
	c.log = append(c.log, cmd)
	if c.after != nil {
		defer c.after(cmd)
	}
	if c.before != nil {
		if r, err, mine := c.before(cmd); mine {
			return r, err
		}
	}
	if s, ok := c.refuse[cmd.Op()]; ok {
		return check(s, len(data)), nil
	}
	if len(c.tell) > 0 && !quiet(cmd.Op()) {
		s := c.tell[0]
		c.tell = c.tell[1:]
		return check(s, len(data)), nil
	}
	if cmd.Op() == scsi.OpTestUnitReady && c.wakes > 0 {
		c.wakes--
		return check(c.sleepy, 0), nil
	}
	if b, ok := c.answer[cmd.Op()]; ok {
		return Result{Residual: len(data) - copy(data, b)}, nil
	}
	r, err := scsi.Parse(cmd.CDB())
	if err != nil {
		return Result{}, fmt.Errorf("canned drive: %w", err)
	}
	return c.perform(r, data), nil
}

// check is CHECK CONDITION with nothing transferred.
func check(s scsi.Sense, residual int) Result {
	return Result{Status: scsi.CheckCondition, Sense: s.Append(nil), Residual: residual}
}

func (c *canned) perform(r scsi.Request, data []byte) Result {
	give := func(b []byte) Result { return Result{Residual: len(data) - copy(data, b)} }
	switch r := r.(type) {
	case scsi.TestUnitReady, scsi.StartStopUnit, scsi.PreventAllow, scsi.SetCDSpeed, scsi.SetStreaming, scsi.Seek10:
		return Result{}
	case scsi.Inquiry:
		if r.EVPD {
			return check(invalidField, len(data))
		}
		return give(c.who.Append(nil))
	case scsi.GetConfiguration:
		return give(c.config.Append(nil))
	case scsi.GetEventStatus:
		return give(scsi.MediaStatus{None: c.noEvents, Event: c.event, Present: true}.Append(nil))
	case scsi.ReadCapacity:
		return give(c.capacity.Append(nil))
	case scsi.ReadDiscInformation:
		return give(c.disc.Append(nil))
	case scsi.ReadTrackInformation:
		for _, t := range c.tracks {
			if r.By == scsi.ByTrack && uint32(t.Track) == r.Number {
				return give(t.Append(nil))
			}
		}
	case scsi.ReadTOC:
		if r.Format == scsi.Tracks {
			return give(c.toc.Append(nil))
		}
	case scsi.ReadDiscStructure:
		r.Alloc = 0
		if b, ok := c.structure[r]; ok {
			return give(scsi.AppendStructure(nil, b))
		}
	case scsi.ModeSense10:
		p := map[scsi.PageControl]scsi.ModePage{scsi.CurrentValues: c.page, scsi.ChangeableValues: c.mask}[r.Control]
		if r.Page == scsi.PageRecovery && p != nil {
			return give(scsi.ModeData{Pages: []scsi.ModePage{p}}.Append(nil))
		}
	case scsi.ModeSelect10:
		return c.selectPage(data)
	case scsi.Read10:
		return c.readSectors(int64(r.LBA), int64(r.Blocks), r.FUA, data)
	case scsi.Read12:
		return c.readSectors(int64(r.LBA), int64(r.Blocks), r.FUA, data)
	}
	return check(invalidField, len(data))
}

// selectPage takes a page as a strict drive does: bits that the mask does not allow
// must be as they are.
func (c *canned) selectPage(list []byte) Result {
	m, err := scsi.ParseModeList(list)
	if err != nil || len(m.Pages) != 1 || m.Pages[0].Code() != scsi.PageRecovery || !m.Pages[0].Change(c.page, c.mask).Equal(c.page) {
		return check(scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x26}, len(list))
	}
	p := slices.Clone(m.Pages[0])
	if c.rounds != nil {
		p[3] = c.rounds(p[3])
	}
	c.page = p
	c.selected = append(c.selected, p)
	return Result{}
}

func (c *canned) readSectors(first, n int64, fua bool, data []byte) Result {
	if fua && c.noFUA {
		return check(invalidField, len(data))
	}
	if first+n > c.capacity.Blocks() {
		return check(outOfRange, len(data))
	}
	var weak *scsi.Sense
	came := int64(0)
	for ; came < n; came++ {
		a := sector.LBA(first + came)
		s, bad := c.fails[a]
		if bad && s.Key != scsi.RecoveredError {
			return c.transferred(check(s, len(data)-int(came)*sector.Size), data)
		}
		if bad {
			weak = &s
		}
		if int64(len(data)) < (came+1)*sector.Size {
			break
		}
		devicetest.Pattern(a, data[came*sector.Size:][:sector.Size])
	}
	if weak != nil {
		return c.transferred(check(*weak, 0), data)
	}
	return c.transferred(Result{}, data)
}

// transferred has a bridge say that all came while bytes at the end did not.
func (c *canned) transferred(r Result, data []byte) Result {
	if c.lies > 0 {
		r.Residual = 0
	}
	return r
}

// Close implements Transport.
func (c *canned) Close() error {
	c.closed = true
	return nil
}

func (c *canned) CanSet() error            { return c.cantSet }
func (c *canned) Limit() int               { return c.limit }
func (c *canned) Gone() string             { return c.away }
func (c *canned) Sequence() (uint64, bool) { return c.seq, !c.seqless }
func (c *canned) Wait(d time.Duration)     { c.waited += d }
func (c *canned) open() (*opened, error)   { return c.openFor(Options{}) }
func (c *canned) openFor(o Options) (*opened, error) {
	o.Node = "/canned"
	if o.Stall == 0 {
		o.Stall = time.Minute
	}
	return attach(c, c, spec{Options: o})
}

// mustOpen opens the drive.
func (c *canned) mustOpen(t testing.TB) *opened {
	t.Helper()
	d, err := c.open()
	if err != nil {
		t.Fatalf("attach = %v; want nil", err)
	}
	return d
}

// The drives that a child can be told to open, by the node's name.
var cannedDrives = map[string]func() *canned{
	"dvd": func() *canned {
		c := cannedDVD(1000)
		c.fails[500], c.fails[501] = at(mediumError, 500), at(mediumError, 501)
		return c
	},
	"cd": func() *canned {
		c := cannedCD(1000)
		c.fails[500], c.fails[501] = at(mediumError, 500), at(mediumError, 501)
		return c
	},
	"hangs": func() *canned {
		c := cannedDVD(1000)
		c.before = func(cmd scsi.Command) (Result, error, bool) {
			if r, err := scsi.Parse(cmd.CDB()); err == nil {
				if r, ok := r.(scsi.Read10); ok && r.LBA >= 900 {
					select {}
				}
			}
			return Result{}, nil, false
		}
		return c
	},
	"stuck": func() *canned {
		c := cannedDVD(1000)
		c.before = func(scsi.Command) (Result, error, bool) { select {} }
		return c
	},
	"empty": func() *canned {
		c := cannedDVD(1000)
		c.wakes, c.sleepy = 1<<30, noMedium
		return c
	},
	"gone": func() *canned {
		c := cannedDVD(1000)
		c.before = func(scsi.Command) (Result, error, bool) { return Result{}, unix.ENODEV, true }
		return c
	},
	"hasty": func() *canned { // no drive is that quick, or that slow to be ready
		c := cannedDVD(1000)
		c.wakes, c.sleepy = 3, becomingReady
		return c
	},
}

const cannedOpener = "canned"

func dialCanned(node string, _ purpose) (Transport, Host, error) {
	make, ok := cannedDrives[filepath.Base(node)]
	if !ok {
		return nil, nil, &device.OpenError{Node: node, What: "there is no such drive", Err: unix.ENOENT}
	}
	c := make()
	return c, c, nil
}

func serveCanned(b []byte) (child.Backend, device.Info, error) { return serve(b, dialCanned) }

func TestMain(m *testing.M) {
	child.Main(map[string]child.Opener{Opener: Serve, cannedOpener: serveCanned})
	os.Exit(m.Run())
}

// openCanned opens a drive of the table in a child.
func openCanned(t testing.TB, name string) *Drive {
	t.Helper()
	d, err := openBy(t.Context(), cannedOpener, Options{Node: "/canned/" + name, Stall: time.Hour})
	if err != nil {
		t.Fatalf("Open(%s) = %v; want nil", name, err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

func TestConforms(t *testing.T) {
	for _, name := range slices.Sorted(maps.Keys(map[string]bool{"dvd": true, "cd": true})) {
		t.Run(name, func(t *testing.T) {
			devicetest.Run(t, func(t *testing.T) device.Reader { return openCanned(t, name) },
				devicetest.Disc{Content: devicetest.Pattern, Bad: []devicetest.Bad{{Range: sector.Span(500, 2), Class: device.Medium}}})
		})
	}
}

// contains tells whether text has all the words.
func contains(text string, words ...string) bool {
	for _, w := range words {
		if !strings.Contains(text, w) {
			return false
		}
	}
	return true
}
