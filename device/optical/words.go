package optical

import (
	"fmt"

	"turnstone/device"
	"turnstone/device/devnode"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// noRange is what a failure that is no read's was about.
var noRange sector.Range

// What is advised more than once.
const (
	closeTray  = "Close the tray, wait until the drive has come to rest, and try again."
	switchOff  = "Take the disc out, switch the drive off and on, and try again."
	leadInCure = "What a drive recognises a disc by is its lead-in, the ring just inside 24 mm: clean it, try another drive, and only then polish that ring."
)

// openError puts into words why a drive can't be used.
func (u *unit) sentence(f *fault) (what, cure string, noDisc bool) {
	switch {
	case f.lost == device.Stalled:
		return "the drive gave no answer to " + f.command.Name(), switchOff, false
	case f.lost == device.Gone:
		return "the drive is gone: " + f.text, devnode.PlugIn, false
	case f.lost != 0:
		return f.Error(), "", false
	case f.says(scsi.NotReadyKey, 0x3A) && f.sense.ASCQ == 2:
		return "its tray is open", closeTray, true
	case f.class == scsi.NoMedium:
		return "there is no disc in it", devnode.PutIn, true
	case f.class == scsi.Unrecognised:
		return "the drive does not recognise the disc: " + f.said(), leadInCure + " To read it blindly, where its size is known: --assume-sectors N.", false
	case f.class == scsi.Medium, f.class == scsi.Track:
		return "the drive can't read what says how large the disc is: " + f.said(), leadInCure + " To read it blindly, where its size is known: --assume-sectors N.", false
	case f.class == scsi.NotReady && f.sense.Meaning().Advice == scsi.Attend:
		return "the drive wants to be seen to by hand: " + f.said(), switchOff, false
	case f.class == scsi.NotReady:
		return "the drive does not become ready: " + f.said(),
			"Wait until it has come to rest, and try again: a scratched disc can take minutes. " + leadInCure, false
	case f.class == scsi.Hardware:
		return "the drive says that it is at fault: " + f.said(), switchOff, false
	case f.class == scsi.Protected:
		return "the drive keeps the disc's data: " + f.said(), "The disc is protected; this program breaks no protection.", false
	}
	return f.Error(), "", false
}

func (d *opened) openError(f *fault) error {
	e := &device.OpenError{Node: d.node, Err: f.err}
	e.What, e.Cure, e.NoDisc = d.sentence(f)
	if f.lost == device.Stalled {
		e.Err = &device.ReadError{Drive: d.node, Class: device.Stalled, At: -1, Text: f.text}
	}
	return e
}

// settingsInWords says what a drive was to be set to.
func settingsInWords(s device.Settings) string {
	switch {
	case s.Retries != nil && s.SpeedKBps != 0:
		return fmt.Sprintf("a read retry count of %d and a speed of %d kB/s", *s.Retries, s.SpeedKBps)
	case s.Retries != nil:
		return fmt.Sprintf("a read retry count of %d", *s.Retries)
	}
	return fmt.Sprintf("a speed of %d kB/s", s.SpeedKBps)
}
