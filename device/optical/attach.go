package optical

import (
	"fmt"
	"time"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/devnode"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// depth is how many requests may wait: while the child reads one, the next is there
// already.
const depth = 2

// opened is an opened drive with a disc, in the child.
type opened struct {
	unit
	node    string
	stall   time.Duration
	info    device.Info
	facts   facts
	seq     uint64     // disk sequence, where there is one
	seen    attentions // that the disc was looked at after
	piece   int        // sectors of the largest READ
	stamp   stamp
	own     settings        // the drive's own
	now     device.Settings // in force, as far as they were set
	slowed  int             // kB/s that it was asked for to read slowly; 0: it was not
	trusted bool            // no setting holds under which data is in doubt
	failed  sector.Set      // asked for before, and did not come
	raw     rawManner
	noFUA   bool // the drive does not know FUA
	long    bool // READ(10) is refused, READ(12) is used
}

var _ child.Backend = (*opened)(nil)

// settable is what a transport may tell: whether settings can be sent through it.
type settable interface{ CanSet() error }

// attach opens the drive at the end of a transport.
func attach(t Transport, h Host, s spec) (*opened, error) {
	least := s.Stall + waitingTime + 5*time.Second
	d := &opened{unit: unit{t: t, h: h, least: least}, node: s.Node, stall: s.Stall, stamp: newStamp()}
	var cantSet error
	if c, ok := t.(settable); ok {
		cantSet = c.CanSet() // first: opening the node again makes the kernel ask the drive
	}
	who, f := d.who()
	if f != nil {
		return nil, d.openError(f)
	}
	if who.Type != scsi.TypeCDDVD || who.Qualifier != 0 {
		return nil, &device.OpenError{Node: d.node, What: "it is not an optical drive, it says", Cure: "Name an optical drive, such as /dev/sr0."}
	}
	if f := d.learn(); f != nil {
		return nil, d.openError(f)
	}
	if err := d.describe(s); err != nil {
		return nil, err
	}
	d.info.Node, d.info.Vendor, d.info.Model = d.node, who.Vendor, who.Product
	d.info.Serial = d.serial()
	d.info.Medium = d.medium()
	if cantSet != nil {
		d.info.Notes = append(d.info.Notes, mayNotSet(d.node, cantSet))
	}
	if err := d.findSettings(s.Known, cantSet); err != nil {
		return nil, err
	}
	return d, nil
}

// learn waits until the drive is ready and asks it about the disc; again where the disc
// was changed while it was asked.
func (d *opened) learn() *fault {
	for range mostTries {
		unknown, f := (*fault)(nil), (*fault)(nil)
		if _, f = d.ready(patience(d.stall)); f.is(scsi.Unrecognised) {
			unknown = f // perhaps its size is known to the user
		} else if f != nil {
			return f
		}
		d.seq, _ = d.h.Sequence()
		d.seen = d.told
		if d.facts, f = d.unit.facts(); lost(f) {
			return f
		}
		if unknown != nil {
			d.facts.refusal = unknown
		}
		if seq, _ := d.h.Sequence(); seq == d.seq && d.told == d.seen {
			return nil
		}
	}
	return &fault{lost: device.Doubtful, text: "the drive tells of another disc again and again"}
}

// patience is how long a drive may take to become ready: less than the parent waits
// for its opening.
func patience(stall time.Duration) time.Duration { return min(stall*3/4, 3*time.Minute) }

// who is what the drive calls itself.
func (u *unit) who() (scsi.InquiryData, *fault) {
	c := scsi.Inquiry{Alloc: scsi.InquiryLen}.Command()
	b, f := u.ask(c)
	if f != nil {
		return scsi.InquiryData{}, f
	}
	who, err := scsi.ParseInquiry(b)
	if !usable(err) {
		return who, &fault{command: c, lost: device.Refused, text: err.Error()}
	}
	return who, nil
}

// serial is the drive's serial number: of its vital product data, else of its
// features; "" where it has none.
func (u *unit) serial() string {
	const room = 252
	if b, f := u.ask(scsi.Inquiry{EVPD: true, Page: scsi.VPDSerial, Alloc: room}.Command()); f == nil {
		if s, err := scsi.ParseSerial(b); usable(err) && s != "" {
			return s
		}
	}
	c, _ := u.configuration()
	return c.Serial()
}

// describe fills in what the drive says of the disc.
func (d *opened) describe(s spec) error {
	kind, ok := kindOf(d.facts.Profile)
	if s.Kind != "" {
		kind, ok = s.Kind, true
	}
	if !ok {
		return &device.OpenError{Node: d.node, What: fmt.Sprintf("a disc of the kind %v is not read by this program", d.facts.Profile),
			Cure: "Is it the right disc? Where it is a CD, DVD or Blu-ray all the same: --kind cd, dvd or bd."}
	}
	block, whole, _ := device.Block(kind)
	var x extent
	if f := d.facts.refusal; f != nil {
		if s.AssumeSectors == 0 {
			return d.openError(f)
		}
		d.info.Notes = append(d.info.Notes, fmt.Sprintf("The drive does not recognise the disc (%s): its size of %d sectors is assumed. %s", f.said(), s.AssumeSectors, leadInCure))
	} else {
		var no *unfit
		if x, no = d.facts.recorded(kind); no != nil && s.AssumeSectors == 0 {
			return &device.OpenError{Node: d.node, What: no.what, Cure: no.cure}
		}
		if kind == "cd" {
			if no := d.leaveFormTwo(&x); no != nil {
				return &device.OpenError{Node: d.node, What: no.what, Cure: no.cure}
			}
		}
		d.info.Notes = d.facts.notes(x)
	}
	if s.AssumeSectors > 0 && x.sectors < s.AssumeSectors {
		if x.sectors > 0 {
			d.info.Notes = append(d.info.Notes, fmt.Sprintf("The drive says that the disc has %d sectors; %d are assumed.", x.sectors, s.AssumeSectors))
		}
		x = extent{sectors: s.AssumeSectors}
	}
	d.info.Kind = kind
	if kind == "" {
		d.info.Kind = device.Unknown
	}
	d.info.Sectors, d.info.Written = x.sectors, x.written
	d.info.FormTwo = x.formTwoAt
	d.info.BlockSectors, d.info.WholeBlocks = block, whole
	d.piece, d.info.MaxSectors = largest(d.h.Limit(), block)
	d.info.Depth = depth
	d.info.Sessions = d.facts.sessions(kind, x.sectors)
	d.info.Layers, d.info.Parallel = d.facts.layers(kind, x.sectors)
	d.info.Identity = d.facts.identity(kind)
	return nil
}

// mostRead bounds one READ: 256 KiB. At the speeds of optical drives more brings
// nothing, and where all is bad each one fails in its own time.
const mostRead = 128

// mostAsked bounds one request to a child: 4.5 MiB, which are 48 READs of what USB takes.
// The first READ of each competes with all that the program does with the answer before,
// and took twice as long as the others in an emulated machine. A slow drive is asked for
// less by whoever plans (package plan, patience).
const mostAsked = 2304

// several is the sectors of a request that is as many READs as that allows.
func several(read int) int { return max(1, mostAsked/read) * read }

// largest is how many sectors one READ and one request may have where the host takes
// commands of limit bytes: whole blocks, 48 of the 60 sectors that USB takes. A host
// that takes less than a block gets it in pieces.
func largest(limit, block int) (piece, request int) {
	piece = min(limit/sector.Size, mostRead)
	if piece < block {
		return max(piece, 1), block
	}
	piece -= piece % block
	return piece, piece
}

// medium is the same for two openings with certainly the same disc in the drive: the
// machine's boot and the disk sequence. It is "" where the kernel may have missed that
// the disc was changed: the drive tells no such events, or told one to us alone.
func (d *opened) medium() string {
	if _, ok := d.h.Sequence(); !ok {
		return ""
	}
	event, told := d.mediaEvent()
	if !told || event != scsi.NoEvent && event != scsi.EjectRequest || d.told.swaps > 0 {
		return ""
	}
	boot := devnode.BootID()
	if boot == "" {
		return ""
	}
	return fmt.Sprintf("%s/%d", boot, d.seq)
}

// mediaEvent asks for what happened to the disc since it was asked last, by whomever;
// not told where the drive has no such events.
func (u *unit) mediaEvent() (e scsi.MediaEvent, told bool) {
	b, f := u.ask(scsi.GetEventStatus{Polled: true, Classes: scsi.MediaClass, Alloc: scsi.MediaEventLen}.Command())
	if f != nil {
		return 0, false
	}
	s, err := scsi.ParseMediaStatus(b)
	if err != nil || s.None {
		return 0, false
	}
	return s.Event, true
}

// Close implements child.Backend.
func (d *opened) Close() error { return d.t.Close() }
