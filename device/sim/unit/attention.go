package unit

import (
	"slices"

	"turnstone/device/scsi"
)

// told is what the unit has to tell a host unasked.
type told struct {
	attentions []attention
	event      scsi.MediaEvent // since it was asked last
}

// attention is the additional code of a unit attention condition.
type attention struct{ asc, ascq uint8 }

var (
	powerOn       = attention{0x29, 0x01}
	wasReset      = attention{0x29, 0x00}
	mediumChanged = attention{0x28, 0x00}
)

// attend puts a condition up to be told; a reset comes before what it may have caused
// (SPC).
func (u *Unit) attend(a attention) {
	switch {
	case slices.Contains(u.attentions, a):
	case a == mediumChanged:
		u.attentions = append(u.attentions, a)
	default:
		u.attentions = append([]attention{a}, u.attentions...)
	}
}

// attention is what has to be told instead of performing a command.
func (u *Unit) attention(op scsi.Op) *scsi.Sense {
	switch op {
	case scsi.OpInquiry, scsi.OpRequestSense, scsi.OpGetConfiguration, scsi.OpGetEventStatus: // SPC; MMC
		return nil
	}
	return u.nextAttention()
}

func (u *Unit) nextAttention() *scsi.Sense {
	if len(u.attentions) == 0 {
		return nil
	}
	a := u.attentions[0]
	u.attentions = u.attentions[1:]
	return u.says(scsi.UnitAttention, a.asc, a.ascq)
}

// requestSense gives an attention, or why no disc is ready, as data.
func (u *Unit) requestSense(r scsi.RequestSense) []byte {
	s := u.nextAttention()
	if s == nil {
		s = u.notReady()
	}
	if s == nil {
		s = &scsi.Sense{}
	}
	s.Descriptor = r.Descriptor
	return s.Append(nil)
}

// eventStatus is GET EVENT STATUS NOTIFICATION, polled. Each event is told once.
func (u *Unit) eventStatus(r scsi.GetEventStatus) ([]byte, *scsi.Sense) {
	if !r.Polled {
		return nil, u.field(1)
	}
	if r.Classes&scsi.MediaClass == 0 {
		return scsi.MediaStatus{None: true, Supported: scsi.MediaClass}.Append(nil), nil
	}
	s := scsi.MediaStatus{Supported: scsi.MediaClass, Event: u.event, DoorOpen: u.open, Present: u.medium != nil && !u.open && !u.dull}
	u.event = scsi.NoEvent
	return s.Append(nil), nil
}
