package unit

import (
	"context"
	"time"

	"turnstone/device/sim"
)

// silence is a stall: the unit hears nothing.
type silence struct {
	until time.Duration // it lasts that long at least
	needs sim.Cure
}

func (s *silence) over(now time.Duration) bool { return s.needs == sim.Waiting && now >= s.until }

// Now is what the virtual clock shows.
func (u *Unit) Now() time.Duration {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.now
}

// Wait lets time pass.
func (u *Unit) Wait(d time.Duration) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.now += max(d, 0)
	u.tick()
}

// Node is the name by which the drive is there now; "" while it is not.
func (u *Unit) Node() string {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.tick()
	if u.away {
		return ""
	}
	return u.node
}

// listen tells whether a command is heard, after the time that it takes to be; if not,
// what becomes of it.
func (u *Unit) listen(patience time.Duration) (f Fate, heard bool) {
	if u.away {
		return Unplugged, false
	}
	u.tick()
	s, node := u.silence, u.node
	if s == nil {
		return Answered, true
	}
	if s.needs != sim.Waiting || patience > 0 && s.until-u.now > patience {
		u.now += patience
		return Unheard, false
	}
	u.now = s.until
	u.tick()
	if u.node != node {
		return Unplugged, false
	}
	return Answered, true
}

// fallSilent begins a stall within a command that began at start, and breaks the
// command off when the host's patience is over.
func (u *Unit) fallSilent(s silence, start, patience time.Duration) reply {
	u.silence = &s
	if s.needs == "" {
		s.needs = sim.Waiting
	}
	u.now = s.until
	if patience > 0 {
		u.now = start + patience
	}
	return reply{fate: Unheard}
}

// wake ends a silence whose time is over.
func (u *Unit) wake() {
	if u.silence == nil {
		return
	}
	u.silence = nil
	if u.drive == nil {
		return
	}
	was := u.drive.Info().Node
	if u.drive.Reopen(context.Background()) != nil {
		return // it was not the disc that made it silent
	}
	if is := u.drive.Info().Node; is != was {
		u.node = is // it went away from its bus and came back: all is as after power on
		u.forget(powerOn)
	}
}

// cure does to a silent drive what may end the silence.
func (u *Unit) cure(c sim.Cure) {
	s := u.silence
	if s == nil {
		return
	}
	if u.drive != nil {
		u.drive.Cure(c)
	}
	if c == sim.Reload || s.needs == c {
		s.needs, s.until = sim.Waiting, u.now
	}
}

// Reset is what a host does to a logical unit that does not answer. The disc stays
// spun up.
func (u *Unit) Reset() {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.away {
		return
	}
	u.cure(sim.Reset)
	u.forget(wasReset)
	u.tick()
}

// PowerCycle switches the drive off and on; the disc has to spin up.
func (u *Unit) PowerCycle() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.powerCycle()
}

func (u *Unit) powerCycle() {
	u.cure(sim.Reload)
	u.attentions = nil
	u.forget(powerOn)
	u.tick()
	if u.medium != nil && !u.open {
		u.stopped, u.fresh, u.readyAt = false, true, u.now+spinUp
	}
}

// Unplug takes the drive away from its host.
func (u *Unit) Unplug() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.away = true
}

// Plug brings it back by a name, as after power on.
func (u *Unit) Plug(node string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.away, u.node = false, node
	u.powerCycle()
}

// forget loses all settings, and has the host told why.
func (u *Unit) forget(why attention) {
	u.settings = u.own()
	u.locked = false
	u.attend(why)
}
