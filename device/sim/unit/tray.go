package unit

import (
	"fmt"
	"time"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
)

// tray is tray, spindle and lock, and the disc between them.
type tray struct {
	open    bool
	locked  bool
	medium  *Medium // what lies in it; nil for nothing
	drive   *sim.Drive
	dull    bool // the disc is not recognised as one
	fresh   bool // it was put in, and nobody was told yet
	stopped bool
	readyAt time.Duration // when it is spun up

	drives map[*Medium]*sim.Drive // of every disc that was in: a disc keeps its attempts
	head   sector.LBA             // behind the last sector read
}

// Insert puts a disc in by hand, which takes the one out that is there and closes the
// tray, locked or not. It is ready some seconds later. An error is returned when the
// disc's scenario has no drive or no round of that name; the tray is empty then.
func (u *Unit) Insert(m *Medium) error {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.takeOut()
	drive, ok := u.drives[m]
	if !ok {
		i, known := m.Disc.Scenario().Drive(u.name)
		if !known {
			return fmt.Errorf("scenario %s has no drive %q", m.Disc.Scenario().Name, u.name)
		}
		var err error
		drive, err = m.Disc.Open(sim.Opening{Drive: i, Round: m.Round, Pass: m.Pass, Start: u.now})
		if e, dull := err.(*device.OpenError); err != nil && !(dull && e.NoDisc) {
			return err
		}
		u.drives[m] = drive // nil: no drive would call that a disc
	}
	u.medium, u.drive, u.dull = m, drive, drive == nil
	u.cap = 0
	u.closeTray()
	return nil
}

// Remove takes the disc out by hand, and leaves the tray open. Of a drive that is
// silent that takes a paper clip, and it is switched off for it.
func (u *Unit) Remove() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.takeOut()
}

func (u *Unit) takeOut() {
	if u.silence != nil {
		u.cure(sim.Reload)
		u.wake()
		u.forget(powerOn)
	}
	if u.medium != nil {
		u.event = scsi.Removal
	}
	u.open, u.medium, u.drive, u.dull = true, nil, nil, false
}

// closeTray begins to spin up what lies in the tray.
func (u *Unit) closeTray() {
	u.open, u.stopped, u.fresh = false, false, u.medium != nil
	u.readyAt = u.now + trayTime + spinUp
}

// openTray leaves what lies in it there.
func (u *Unit) openTray() {
	if !u.open && u.medium != nil {
		u.event = scsi.Removal
	}
	u.open = true
}

// Press presses the button of the drive: the tray opens or closes. Of a locked one the
// host is told.
func (u *Unit) Press() {
	u.mu.Lock()
	defer u.mu.Unlock()
	switch {
	case u.silence != nil || u.away:
	case u.open:
		u.closeTray()
	case u.locked:
		u.event = scsi.EjectRequest
	default:
		u.openTray()
	}
}

// startStop is START STOP UNIT. Power conditions are not known.
func (u *Unit) startStop(r scsi.StartStopUnit) *scsi.Sense {
	switch {
	case r.Power != 0:
		return u.field(4)
	case r.LoadEject && !r.Start:
		if u.locked {
			return u.says(scsi.IllegalRequest, 0x53, 0x02)
		}
		u.openTray()
		if !r.Immediate {
			u.now += trayTime
		}
		return nil
	case r.LoadEject && u.open:
		u.closeTray()
	case r.LoadEject:
	case !r.Start:
		u.stopped = true
		return nil
	case u.open || u.medium == nil:
		return u.notReady()
	}
	if u.stopped {
		u.stopped, u.readyAt = false, u.now+spinUp
	}
	if !r.Immediate && u.medium != nil {
		u.now = max(u.now, u.readyAt)
	}
	u.tick()
	return nil
}

// notReady is why no disc can be read now; nil where one can.
func (u *Unit) notReady() *scsi.Sense {
	switch {
	case u.open:
		return u.says(scsi.NotReadyKey, 0x3A, 0x02)
	case u.medium == nil, u.dull && u.now >= u.readyAt:
		return u.says(scsi.NotReadyKey, 0x3A, 0x01)
	case u.stopped:
		return u.says(scsi.NotReadyKey, 0x04, 0x02)
	case u.now < u.readyAt:
		s := u.says(scsi.NotReadyKey, 0x04, 0x01)
		part := 1 - float64(u.readyAt-u.now)/float64(trayTime+spinUp)
		s.Specific = scsi.ProgressPart(uint16(max(part, 0) * 0xFFFF))
		return s
	}
	return nil
}

// tick lets happen what was to happen by now.
func (u *Unit) tick() {
	if u.silence != nil && u.silence.over(u.now) {
		u.wake()
	}
	if u.fresh && !u.open && !u.stopped && !u.dull && u.now >= u.readyAt {
		u.fresh = false
		u.event = scsi.NewMedium
		u.attend(mediumChanged)
	}
	if u.drive != nil {
		u.drive.Rest(u.now - u.drive.Now())
	}
}

// seek is SEEK(10).
func (u *Unit) seek(r scsi.Seek10) *scsi.Sense {
	if int64(r.LBA) >= u.medium.Disc.Scenario().Sectors {
		return u.says(scsi.IllegalRequest, 0x21, 0)
	}
	u.apply(u.page.ReadRetries)
	if u.drive.Seek(sector.LBA(r.LBA)) != nil {
		return u.says(scsi.HardwareError, 0x15, 0x01) // it can't be: a silent drive hears nothing
	}
	u.now, u.head = u.drive.Now(), sector.LBA(r.LBA)
	return nil
}

// mechanismLBA is where the head is, 24 bits.
func (u *Unit) mechanismLBA() uint32 { return uint32(min(u.head, 0xFFFFFF)) }
