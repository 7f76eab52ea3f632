package optical

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnstone/device"
	"turnstone/device/devnode"
	"turnstone/device/scsi"
)

// Description is what can be told of a drive and of what lies in it. What the drive
// does not tell is left out.
type Description struct {
	Node     string `json:"node"`
	Attached string `json:"attached,omitempty"` // "USB, port 1-4", "SATA", …
	Vendor   string `json:"vendor,omitempty"`
	Model    string `json:"model,omitempty"`
	Serial   string `json:"serial,omitempty"`
	Firmware string `json:"firmware,omitempty"` // revision, and its date where the drive has it

	Reads     []string  `json:"reads,omitempty"`       // kinds of discs, in the trade's names
	Recovery  *Recovery `json:"recovery,omitempty"`    // mode page 01h
	MaxKBps   int       `json:"max_kbps,omitempty"`    // fastest reading, kB of 1000 bytes
	Speeds    []int     `json:"speeds_kbps,omitempty"` // of reading, that it lists for the disc
	C2        *bool     `json:"c2,omitempty"`          // READ CD brings C2 flags
	Streaming *bool     `json:"streaming,omitempty"`
	Settable  bool      `json:"settable"` // this user can change its settings

	Tray     string   `json:"tray,omitempty"` // "open" or "closed"
	Disc     string   `json:"disc,omitempty"` // "DVD-R sequential"
	Kind     string   `json:"kind,omitempty"`
	Sectors  int64    `json:"sectors,omitempty"`
	Recorded int64    `json:"recorded,omitempty"` // sectors
	Layers   int      `json:"layers,omitempty"`
	State    string   `json:"state,omitempty"` // "blank", "appendable", "finalised"
	Ready    bool     `json:"ready"`           // a disc lies in it that can be read
	Notes    []string `json:"notes,omitempty"`

	Problem string `json:"problem,omitempty"`
	Cure    string `json:"cure,omitempty"`
}

// Recovery is what a drive's mode page 01h allows.
type Recovery struct {
	ReadRetryCount int  `json:"read_retry_count"`
	CanCount       bool `json:"read_retry_count_changeable"`
	CanTransfer    bool `json:"transfer_of_damaged_blocks_changeable"` // TB
	CanReport      bool `json:"report_of_recovered_errors_changeable"` // PER
	CanUncorrect   bool `json:"correction_changeable"`                 // DCR
}

// Describe asks a drive about itself and about what lies in it, in a child that is
// given up after patience. What stands against it is in the description.
func Describe(ctx context.Context, node string, patience time.Duration) Description {
	return describeBy(ctx, Opener, node, patience)
}

func describeBy(ctx context.Context, opener, node string, patience time.Duration) Description {
	var d Description
	arg, err := json.Marshal(patience)
	if err == nil {
		err = help(ctx, opener, node, callDescribe, arg, patience, &d)
	}
	d.Node = node
	d.Attached = attachment(devnode.Named(devnode.Sysfs, node))
	if err != nil {
		d.Problem = err.Error()
		if stall, ok := errors.AsType[*device.ReadError](err); ok && stall.Class == device.Stalled {
			d.Problem, d.Cure = fmt.Sprintf("the drive gave no answer within %v", patience), switchOff
		}
	}
	return d
}

// describe is the helper's side of Describe.
func (t task) describe(patience time.Duration) ([]byte, error) {
	d := Description{Node: t.node}
	fail := func(err error) ([]byte, error) {
		d.Problem = err.Error()
		if e, ok := errors.AsType[*device.OpenError](err); ok {
			d.Problem, d.Cure = e.What, e.Cure
		}
		return json.Marshal(d)
	}
	tr, h, err := t.dial(t.node, toLook)
	if err != nil {
		return fail(err)
	}
	defer tr.Close()
	o := &opened{unit: unit{t: tr, h: h}, node: t.node}
	if c, ok := tr.(settable); ok {
		if err := c.CanSet(); err != nil {
			d.Notes = append(d.Notes, mayNotSet(t.node, err))
		}
		d.Settable = len(d.Notes) == 0
	}
	who, f := o.who()
	if f != nil {
		return fail(o.openError(f))
	}
	d.Vendor, d.Model, d.Firmware, d.Serial = who.Vendor, who.Product, who.Revision, o.serial()
	o.describeDrive(&d)
	_, f = o.ready(patience / 2)
	o.describeTray(&d)
	if f != nil && !f.is(scsi.Unrecognised) {
		return fail(o.openError(f))
	}
	o.describeDrive(&d) // C2 and speeds may depend on the disc
	if o.facts, f = o.unit.facts(); lost(f) {
		return fail(o.openError(f))
	}
	if d.Speeds, f = o.speeds(); f != nil {
		return fail(o.openError(f))
	}
	o.describeDisc(&d)
	if err := o.describe(spec{}); err != nil {
		return fail(err)
	}
	d.Kind, d.Sectors, d.Layers = o.info.Kind, o.info.Sectors, len(o.info.Layers)
	d.Notes = append(d.Notes, o.info.Notes...)
	d.Recorded = d.Sectors
	if len(o.info.Written) > 0 {
		d.Recorded = 0
		for _, r := range o.info.Written {
			d.Recorded += r.Count()
		}
	}
	d.Ready = true
	if exclusive, _, err := t.dial(t.node, toRead); err != nil {
		d.Ready = false
		return fail(err)
	} else {
		exclusive.Close()
	}
	return json.Marshal(d)
}

// describeDrive is what the drive says of itself.
func (o *opened) describeDrive(d *Description) {
	c, f := o.configuration()
	if f == nil && len(c.Features) > 0 {
		d.Reads = nil
		for _, p := range c.Profiles() {
			if p.Profile.Family() != scsi.OtherFamily {
				d.Reads = append(d.Reads, p.Profile.String())
			}
		}
		slices.Reverse(d.Reads) // drives list the newest first
		if date := c.Firmware(); date != "" && !strings.Contains(d.Firmware, date) {
			d.Firmware = strings.TrimSpace(d.Firmware + " of " + date)
		}
		_, streams := c.Streaming()
		d.Streaming = &streams
		if cd, ok := c.CDRead(); ok {
			d.C2 = &cd.C2
		}
	}
	if p, f := o.modePage(scsi.PageCapabilities, scsi.CurrentValues); f == nil {
		if caps, err := p.Capabilities(); err == nil {
			d.MaxKBps = int(caps.MaxRead)
			if d.C2 == nil || caps.C2 {
				d.C2 = &caps.C2
			}
		}
	}
	page, _ := o.page(scsi.CurrentValues)
	now, err := page.Recovery()
	if err != nil {
		return
	}
	d.Recovery = &Recovery{ReadRetryCount: int(now.ReadRetries)}
	mask, _ := o.page(scsi.ChangeableValues)
	if can, err := mask.Recovery(); err == nil {
		d.Recovery.CanCount = can.ReadRetries != 0
		d.Recovery.CanTransfer = can.Flags&scsi.TB != 0
		d.Recovery.CanReport = can.Flags&scsi.PER != 0
		d.Recovery.CanUncorrect = can.Flags&scsi.DCR != 0
	}
}

// describeTray says whether the tray is open.
func (o *opened) describeTray(d *Description) {
	b, f := o.ask(scsi.GetEventStatus{Polled: true, Classes: scsi.MediaClass, Alloc: scsi.MediaEventLen}.Command())
	if f != nil {
		return
	}
	s, err := scsi.ParseMediaStatus(b)
	switch {
	case err != nil || s.None:
	case s.DoorOpen:
		d.Tray = "open"
	default:
		d.Tray = "closed"
	}
}

func (o *opened) describeDisc(d *Description) {
	if o.facts.Profile != scsi.NoProfile {
		d.Disc = o.facts.Profile.String()
	}
	if o.facts.Disc != nil {
		d.State = [...]string{scsi.Blank: "blank", scsi.Appendable: "appendable", scsi.Finalized: "finalised", scsi.OtherState: ""}[o.facts.Disc.Disc&3]
	}
}

// attachment is how a drive hangs on the machine, by the folders that lead to it.
func attachment(dir devnode.Dir) string {
	if dir == "" {
		return ""
	}
	if _, port := dir.USB(); port != "" {
		return "USB, port " + port
	}
	for part := range strings.SplitSeq(string(dir), "/") {
		if strings.HasPrefix(part, "ata") {
			return "SATA or ATAPI, " + part
		}
	}
	return "SCSI"
}
