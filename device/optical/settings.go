package optical

import (
	"encoding/json"
	"errors"
	"fmt"

	"turnstone/device"
	"turnstone/device/scsi"
)

// settings are what a drive is set to by itself: mode page 01h as it was found, the
// mask of what may be changed in it, and whether this user may change it.
type settings struct {
	Page     scsi.ModePage `json:"page,omitempty"` // nil where the drive has none
	Mask     scsi.ModePage `json:"mask,omitempty"`
	Writable bool          `json:"writable"`
}

const modeRoom = 256

// page asks for mode page 01h; nil where the drive has none.
func (u *unit) page(which scsi.PageControl) (scsi.ModePage, *fault) {
	return u.modePage(scsi.PageRecovery, which)
}

func (u *unit) modePage(code scsi.PageCode, which scsi.PageControl) (scsi.ModePage, *fault) {
	b, f := u.ask(scsi.ModeSense10{DBD: true, Control: which, Page: code, Alloc: modeRoom}.Command())
	if f.says(scsi.IllegalRequest, 0x24) {
		b, f = u.ask(scsi.ModeSense10{Control: which, Page: code, Alloc: modeRoom}.Command())
	}
	if f != nil {
		return nil, f
	}
	m, err := scsi.ParseModeData(b)
	if !usable(err) {
		return nil, nil
	}
	p, ok := m.Page(code)
	if !ok {
		return nil, nil
	}
	return p, nil
}

// findSettings learns the drive's own settings, and what of them can be changed.
// cantSet is why nothing can.
func (d *opened) findSettings(known *settings, cantSet error) error {
	d.own = settings{Writable: cantSet == nil}
	page, f := d.page(scsi.CurrentValues)
	if lost(f) {
		return d.openError(f)
	}
	rec, err := page.Recovery()
	if err != nil {
		return nil // no such page: nothing to set, nothing to distrust
	}
	mask, f := d.page(scsi.ChangeableValues)
	if lost(f) {
		return d.openError(f)
	}
	d.own.Page, d.own.Mask = page, mask
	if known != nil && len(known.Page) == len(page) {
		// What an earlier opening found is the drive's own; this one may find what was
		// set since.
		d.own.Page, d.own.Mask = known.Page, known.Mask
	}
	own, err := d.own.Page.Recovery()
	if err != nil {
		return nil
	}
	if rec.Flags.InDoubt() {
		if err := d.canTrust(page, rec, cantSet); err != nil {
			return err
		}
	} else {
		d.trusted = true
	}
	// Only where every count between them can be set: whoever chooses knows the ends.
	if bits := d.own.retryBits(); bits != 0 && bits&(bits+1) == 0 && cantSet == nil {
		d.info.Retries = &device.RetryCounts{Least: own.ReadRetries &^ bits, Own: own.ReadRetries}
	}
	return nil
}

// retryBits are the bits of the read retry count that may be changed.
func (s settings) retryBits() uint8 {
	r, err := s.Mask.Recovery()
	if err != nil {
		return 0
	}
	return r.ReadRetries
}

const inDoubt = scsi.TB | scsi.RC | scsi.DCR

// canTrust tells whether settings under which wrong bytes may come as good ones can be
// taken back before anything is read.
func (d *opened) canTrust(page scsi.ModePage, rec scsi.Recovery, cantSet error) error {
	const what = "it is set to deliver sectors that it could not correct as if they were good (mode page 01h, flags %02Xh)"
	e := &device.OpenError{Node: d.node, What: fmt.Sprintf(what, uint8(rec.Flags))}
	if cantSet != nil {
		e.What += ", and this user may not change that"
		e.Cure = "Switch the drive off and on, or run it as a user who may write to " + d.node + "."
		e.Err = cantSet
		return e
	}
	rec.Flags &^= inDoubt
	want, err := page.Change(rec.Onto(page), d.own.Mask).Recovery()
	if err != nil || want.Flags.InDoubt() {
		e.What += ", and does not let that be changed"
		e.Cure = "Switch the drive off and on; if it stays so, use another drive."
		return e
	}
	return nil
}

// trust takes back what makes data doubtful, once, before anything is read. What it
// changed is restored with the rest.
func (d *opened) trust() *fault {
	if d.trusted || d.own.Page == nil {
		return nil
	}
	d.raw.lenient = false
	page, f := d.page(scsi.CurrentValues)
	if f != nil {
		return f
	}
	rec, err := page.Recovery()
	if err != nil || !rec.Flags.InDoubt() {
		d.trusted = true
		return nil
	}
	no := &fault{lost: device.Refused, text: fmt.Sprintf(
		"the drive delivers sectors that it could not correct as if they were good (mode page 01h, flags %02Xh), and does not let that be changed", uint8(rec.Flags))}
	rec.Flags &^= inDoubt
	page, f = d.selectPage(page.Change(rec.Onto(page), d.own.Mask))
	switch {
	case f.is(scsi.Refused):
		no.text += " (" + f.said() + ")"
		return no
	case f != nil:
		return f
	}
	if rec, err = page.Recovery(); err == nil && rec.Flags.InDoubt() {
		return no
	}
	d.trusted = true
	return nil
}

// selectPage sets a mode page and reads it back.
func (u *unit) selectPage(p scsi.ModePage) (scsi.ModePage, *fault) {
	c, list, err := scsi.SelectMode(p)
	if err != nil {
		return nil, &fault{command: c.Command(), lost: device.Refused, text: err.Error()}
	}
	if _, f := u.tell(c.Command(), list); f != nil && !f.is(scsi.Recovered) {
		return nil, f
	}
	return u.modePage(p.Code(), scsi.CurrentValues)
}

// set is what Setter promises: both are honoured, or neither is changed.
func (d *opened) set(s device.Settings) error {
	if err := d.apply(s); err != nil {
		return err
	}
	if s.Retries != nil {
		d.now.Retries = s.Retries
	}
	if s.SpeedKBps > 0 {
		d.now.SpeedKBps = s.SpeedKBps
	}
	return nil
}

// apply gives the drive settings. The speed comes first: it is taken back by asking
// for the one before.
func (d *opened) apply(s device.Settings) error {
	if s.SpeedKBps < 0 || s.SpeedKBps > 0 && !d.own.Writable || s.Retries != nil && !d.takes(*s.Retries) {
		return fmt.Errorf("%w: %s", device.ErrUnsupported, settingsInWords(s))
	}
	if s.SpeedKBps > 0 {
		if f := d.setSpeed(s.SpeedKBps); f != nil {
			return f.unsupported()
		}
	}
	if s.Retries == nil {
		return nil
	}
	if err := d.setRetries(*s.Retries); err != nil {
		if s.SpeedKBps > 0 {
			d.setSpeed(d.speed())
		}
		return err
	}
	return nil
}

// applyAgain gives a drive that was reset what it was set to.
func (d *opened) applyAgain() error {
	if err := d.apply(d.now); err != nil || d.slowed == 0 {
		return err
	}
	if f := d.setSpeed(d.slowed); f != nil {
		return f.unsupported()
	}
	return nil
}

// takes tells whether the mask lets the read retry count be n.
func (d *opened) takes(n uint8) bool {
	own, err := d.own.Page.Recovery()
	bits := d.own.retryBits()
	return err == nil && d.own.Writable && bits != 0 && (own.ReadRetries^n)&^bits == 0
}

func (d *opened) setRetries(n uint8) error {
	page, f := d.page(scsi.CurrentValues)
	if f != nil {
		return f
	}
	rec, err := page.Recovery()
	if err != nil {
		return err
	}
	rec.ReadRetries = n
	rec.Flags &^= inDoubt
	now, f := d.selectPage(page.Change(rec.Onto(page), d.own.Mask))
	if f != nil {
		return f.unsupported()
	}
	got, err := now.Recovery()
	if err == nil && got.ReadRetries == n && !got.Flags.InDoubt() {
		d.trusted, d.raw.lenient = true, false
		return nil
	}
	if _, f := d.selectPage(page); f != nil {
		return f
	}
	return fmt.Errorf("%w: a read retry count of %d: the drive made %d of it", device.ErrUnsupported, n, got.ReadRetries)
}

// unsupported is a refusal as an error that says that the drive lacks it; another
// fault stays what it is.
func (f *fault) unsupported() error {
	if f.is(scsi.Refused) || f.lost == device.Refused {
		return fmt.Errorf("%w: %w", device.ErrUnsupported, f)
	}
	return f
}

// restore gives the drive settings that an opening found, this one or an earlier one
// that came to no end. The speed is set to the drive's own, which it may refuse: one
// that can't be capped is not.
func (d *opened) restore(original []byte) error {
	var s settings
	if err := json.Unmarshal(original, &s); err != nil {
		return fmt.Errorf("settings to be restored: %w", err)
	}
	if len(s.Page) > 0 {
		now, f := d.page(scsi.CurrentValues)
		if f != nil {
			return f
		}
		if !now.Equal(s.Page) {
			if now, f = d.selectPage(s.Page); f != nil {
				return f
			}
		}
		if !now.Equal(s.Page) {
			return fmt.Errorf("mode page 01h is % X after it was to be % X", []byte(now), []byte(s.Page))
		}
	}
	f := d.setSpeed(scsi.MaxSpeed)
	if f != nil && (d.now.SpeedKBps > 0 || d.slowed > 0 || lost(f)) {
		return f
	}
	d.now, d.slowed, d.trusted = device.Settings{}, 0, false
	return nil
}

// Call implements child.Backend.
func (d *opened) Call(op string, arg []byte) ([]byte, error) {
	switch op {
	case callOwn:
		return json.Marshal(d.own)
	case callSet:
		var s device.Settings
		if err := json.Unmarshal(arg, &s); err != nil {
			return nil, err
		}
		return nil, d.set(s)
	case callRestore:
		return nil, d.restore(arg)
	case callSlow:
		return d.callReadSlow(arg)
	case callRaw:
		return d.callReadRaw(arg)
	case callStop:
		return nil, d.startStop(scsi.StartStopUnit{})
	case callEject:
		return nil, d.eject()
	}
	return nil, device.ErrUnsupported
}

func (d *opened) startStop(c scsi.StartStopUnit) error {
	if _, f := d.tell(c.Command(), nil); f != nil {
		return f.unsupported()
	}
	return nil
}

// eject opens the tray, after it was unlocked where it was locked.
func (d *opened) eject() error {
	open := scsi.StartStopUnit{LoadEject: true}
	err := d.startStop(open)
	var f *fault
	if errors.As(err, &f) && f.says(scsi.IllegalRequest, 0x53) {
		if _, f := d.tell(scsi.PreventAllow{}.Command(), nil); f != nil {
			return f.unsupported()
		}
		return d.startStop(open)
	}
	return err
}
