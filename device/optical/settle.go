package optical

import (
	"turnstone/device"
	"turnstone/device/scsi"
)

// changed tells by what another disc may lie in the drive; "" where nothing shows. It
// is asked for each answer: the kernel's number costs less than a microsecond. Where
// the kernel has none the drive is asked, which costs a command.
//
// The kernel looks at the drive when a node is opened, and may take the drive's word
// that the disc was changed (06/28) from under us; then its number has changed.
func (d *opened) changed() string {
	if seq, ok := d.h.Sequence(); ok {
		if seq != d.seq {
			return "another disc was put in"
		}
		return ""
	}
	if e, told := d.mediaEvent(); told && (e == scsi.NewMedium || e == scsi.Removal) {
		return "the drive tells that its disc was taken out"
	}
	return ""
}

// lookAgain settles what the drive told meanwhile, as when it was set.
func (d *opened) lookAgain() *device.ReadError {
	f := &fault{command: scsi.TestUnitReady{}.Command()}
	switch {
	case d.told == d.seen:
		return nil
	case d.told.swaps > d.seen.swaps:
		f.class, f.text = scsi.Changed, "the drive told that its disc may have changed"
	default:
		f.class, f.text = scsi.Reset, "the drive told that it was reset"
	}
	return d.settle(f)
}

// settle is called when the drive says, instead of reading, that something happened:
// the disc may have been changed, the drive was reset, or it is not ready. It returns
// nil when the disc has been shown to be the same, and the drive has its settings
// again.
//
//	drive says             same disc when
//	may have changed       the unique disc identifier is the same
//	reset                  the drive was ready at once, tells the same of the disc, and the
//	                       kernel's number is the same. One that had to spin up first may
//	                       have been switched off with another disc put in.
//	not ready, then ready  it tells the same, and the kernel's number is there and the same
func (d *opened) settle(f *fault) *device.ReadError {
	refuse := func(class device.Class, text string) *device.ReadError {
		return &device.ReadError{Class: class, At: -1, Text: text,
			Sense: device.Sense{Key: uint8(f.sense.Key), ASC: f.sense.ASC, ASCQ: f.sense.ASCQ}}
	}
	swaps := d.told.swaps
	waited, g := d.ready(patience(d.stall))
	if g != nil {
		return g.readError(noRange)
	}
	d.seen = d.told
	seq, numbered := d.h.Sequence()
	told, g := d.unit.facts()
	if lost(g) {
		return g.readError(noRange)
	}
	if unique := d.facts.Unique; unique != "" && told.Unique != "" {
		if unique != told.Unique {
			return refuse(device.Changed, "another disc lies in the drive: its unique disc identifier is another")
		}
		d.seq = seq // the kernel may have counted the same disc once more
	} else {
		switch {
		case f.is(scsi.Changed) || d.told.swaps > swaps:
			return refuse(device.Changed, f.text)
		case !told.same(d.facts):
			return refuse(device.Changed, "the drive tells something else of the disc than before ("+f.text+")")
		case d.changed() != "":
			return refuse(device.Changed, d.changed()+" ("+f.text+")")
		case f.is(scsi.Reset) && waited > 0, f.is(scsi.NotReady) && !numbered:
			return refuse(device.Changed, "the drive spun up again, with whatever disc ("+f.text+")")
		}
	}
	d.trusted = false
	if g := d.trust(); g != nil {
		return g.readError(noRange)
	}
	if err := d.applyAgain(); err != nil {
		return refuse(device.Refused, "after a reset the drive does not take its settings again: "+err.Error())
	}
	if d.told != d.seen {
		return refuse(device.Changed, "the drive tells of another disc again and again")
	}
	return nil
}
