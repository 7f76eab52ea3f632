package imager

import (
	"context"
	"errors"
	"fmt"

	"turnstone/mapfile"
)

// careful is the control of a pass that a drive takes. Of a disc that is recorded as
// fragile the speed cap is kept in the case: what the user says now from now on, what
// was said before where nothing is said. A drive that can't be told what was said
// before reads all the same, since a cap is a request, and the listener hears of it.
// ErrSettings is returned when the drive does not take what the user says now. D is the
// disc as the pass will have it written down.
func (c *Case) careful(ctx context.Context, r Reading, d *mapfile.Disc) (control, error) {
	ctl := newControl(r.Reader, r.Settings)
	if d.Seen == nil || d.Seen.Fragile != "yes" {
		return ctl, ctl.takes(ctx)
	}
	if said := r.Settings.SpeedKBps; said > 0 {
		if err := ctl.takes(ctx); err != nil {
			return ctl, err
		}
		seen := *d.Seen
		seen.CapKBps = said
		d.Seen = &seen
		return ctl, nil
	}
	kept := d.Seen.CapKBps
	if kept == 0 {
		return ctl, ctl.takes(ctx)
	}
	ctl.user.SpeedKBps = kept
	text := fmt.Sprintf("the disc is recorded as fragile: the drive is asked for %d kB/s at most, as before (--cap)", kept)
	err := ctl.takes(ctx)
	if errors.Is(err, ErrSettings) {
		text = fmt.Sprintf("the disc is recorded as fragile and was read at %d kB/s at most: this drive can't be asked for that", kept)
		ctl = newControl(r.Reader, r.Settings)
		err = ctl.takes(ctx)
	}
	if err == nil {
		r.Listener.Event(mapfile.Event{Time: c.now(), Pass: -1, Kind: KindCapped, Text: text})
	}
	return ctl, err
}
