package imager

import (
	"sync"
	"time"

	"turnstone/device"
	"turnstone/mapfile"
)

// Clock is the time of a case while it is worked on. Where a drive works in a time of
// its own, as a simulated one does, it is that drive's: what would take an hour has
// taken an hour, for the case.
type Clock struct {
	// Wall is the wall clock.
	Wall func() time.Time

	mu    sync.Mutex
	base  time.Time
	drive ownTime // nil: time is the wall clock's
}

// ownTime is a Reader whose time is not the wall clock's: Now is what has passed since
// it was opened.
type ownTime interface{ Now() time.Duration }

// Now is the time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.drive == nil {
		return c.Wall()
	}
	return c.base.Add(c.drive.Now())
}

// Follow takes the time from a drive from now on, if it has one of its own; base is
// when its clock shows 0.
func (c *Clock) Follow(r device.Reader, base time.Time) {
	if d, ok := r.(ownTime); ok {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.base, c.drive = base, d
	}
}

// LastEntry is when something was last noted in a case, zero where nothing was.
func LastEntry(m *mapfile.Map) time.Time {
	var last time.Time
	for _, r := range m.Rounds() {
		if r.Opened.After(last) {
			last = r.Opened
		}
	}
	for _, p := range m.Passes() {
		if p.Ended.After(last) {
			last = p.Ended
		}
	}
	return last
}
