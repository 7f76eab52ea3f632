package optical

import (
	"time"

	"turnstone/device/scsi"
)

// readyPause is the time between two questions whether the drive is ready.
const readyPause = 250 * time.Millisecond

// ready waits until the drive could read, for no longer than patience, and starts it
// where it says that it wants that. It tells how long it waited, and why the drive is
// not ready in the end.
func (u *unit) ready(patience time.Duration) (waited time.Duration, f *fault) {
	started := false
	for {
		_, f = u.tell(scsi.TestUnitReady{}.Command(), nil)
		if !f.is(scsi.NotReady) {
			if f.is(scsi.Recovered) {
				f = nil
			}
			return waited, f
		}
		switch f.sense.Meaning().Advice {
		case scsi.Attend, scsi.GiveUp:
			return waited, f
		case scsi.StartUnit:
			if !started {
				started = true
				if _, f := u.tell(scsi.StartStopUnit{Start: true}.Command(), nil); f != nil && f.lost != 0 {
					return waited, f
				}
				continue
			}
		}
		if waited >= patience {
			return waited, f
		}
		u.h.Wait(readyPause)
		waited += readyPause
	}
}
