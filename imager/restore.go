package imager

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"

	"turnstone/device"
	"turnstone/mapfile"
)

// lend sees to it that a drive gets its own settings back, however the pass ends.
// What a pass that was killed has left in the drive is put right first; then the
// map learns what the drive is to be given back, before anything is changed. The
// function returned gives it back, and says so in the map.
//
//	lend:  owed from a killed pass? ──► Restore ──► commit what is original
//	pass:  … Set … Set …                              │ a kill here:
//	back:  Restore ──► commit that nothing is owed ◄──┘ the next lend does it
func (c *Case) lend(ctx context.Context, r device.Reader, info device.Info) (back func() error, err error) {
	nothing := func() error { return nil }
	_, sets := r.(device.Setter)
	drive, restores := r.(device.Restorer)
	if !sets || !restores {
		return nothing, nil
	}
	n := knownDrive(c.m, info)
	if owed := c.m.Drives()[n].Restore; owed != "" {
		original, err := hex.DecodeString(owed)
		if err == nil {
			err = drive.Restore(ctx, original)
		}
		if err != nil {
			return nothing, fmt.Errorf("giving %s its own settings back, which an earlier pass has changed: %w", info.Name(), err)
		}
		c.m.AddEvent(mapfile.Event{Time: c.now(), Pass: -1, Kind: KindRestored,
			Text: info.Name() + " got the settings back that it had before a pass which was killed"})
		return func() error { return c.giveBack(ctx, drive, n, original) }, nil
	}
	original := drive.Original()
	if original == nil {
		return nothing, nil
	}
	if err := c.owe(n, hex.EncodeToString(original)); err != nil {
		return nothing, err
	}
	return func() error { return c.giveBack(ctx, drive, n, original) }, nil
}

// giveBack gives a drive its own settings back. A drive that does not take them is
// owed them still.
func (c *Case) giveBack(ctx context.Context, drive device.Restorer, n int, original []byte) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	if err := drive.Restore(ctx, original); err != nil {
		c.m.AddEvent(mapfile.Event{Time: c.now(), Pass: -1, Kind: KindRestored,
			Text: "the drive did not take its own settings back: " + err.Error()})
		return c.commit()
	}
	return c.owe(n, "")
}

// owe commits what a drive is to be given back.
func (c *Case) owe(n int, settings string) error {
	if n >= len(c.m.Drives()) { // the pass failed, and the map was taken as it is on the disk
		return nil
	}
	d := c.m.Drives()[n]
	d.Restore = settings
	return errors.Join(c.m.SetDrive(n, d), c.commit())
}
