package unit

import (
	"time"

	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
)

// Always is the number of times of a rule that does not wear off.
const Always = -1

// rule is one line of the script. Of the rules that hold the newest decides; of
// several sectors the lowest is met first.
type rule struct {
	op    scsi.Op
	over  sector.Range // empty: whatever the command is about
	times int
	does  Effect
}

// Effect is what a rule does: one of the types below.
type Effect interface{ effect() }

// Says ends a command with sense data, which goes out as it stands, in the format that
// it says. Recovered errors come with all of the data. At a sector, medium and hardware
// errors and blank checks come with the sectors in front of it, which are really read;
// whatever else is said, nothing comes.
type Says struct {
	Sense scsi.Sense
	// Unnamed leaves the information field alone. Otherwise, at a sector, it is
	// valid and names it.
	Unnamed bool
}

// Ends ends a command that is not performed with another status than CHECK CONDITION.
type Ends struct{ Status scsi.Status }

// Garbles lets sectors come with wrong bytes, without a word.
type Garbles struct{}

// Drops lets what comes from its sector on, or all of a response, get lost on the way
// while the transport says that it came: the host's memory stays as it was.
type Drops struct{}

// Hangs gives no answer: for so long, or until the drive had what it needs.
type Hangs struct {
	For   time.Duration
	Needs sim.Cure // "" or sim.Waiting: For
}

// Unplugs takes the drive away.
type Unplugs struct{}

func (Says) effect()    {}
func (Ends) effect()    {}
func (Garbles) effect() {}
func (Drops) effect()   {}
func (Hangs) effect()   {}
func (Unplugs) effect() {}

// At has reads (READ(10), READ(12), user data by READ CD) that come upon a sector of r
// end otherwise, that many times, or Always.
func (u *Unit) At(r sector.Range, times int, e Effect) {
	u.script(&rule{over: r, times: times, does: e})
}

// On has a command end otherwise, that many times, or Always. It is met behind
// attentions and before anything else, whether a disc is ready or not.
func (u *Unit) On(op scsi.Op, times int, e Effect) { u.script(&rule{op: op, times: times, does: e}) }

func (u *Unit) script(r *rule) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.rules = append(u.rules, r)
}

// Behave empties the script.
func (u *Unit) Behave() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.rules = nil
}

// use takes one time off a rule.
func (r *rule) use() *rule {
	if r.times != Always {
		r.times--
	}
	return r
}

// scripted is the rule about a command; nil where there is none.
func (u *Unit) scripted(op scsi.Op) *rule {
	for i := len(u.rules) - 1; i >= 0; i-- {
		if r := u.rules[i]; r.over.Empty() && r.op == op && r.times != 0 {
			return r.use()
		}
	}
	return nil
}

// scriptedAt is the rule about the lowest sector of a range that there is one about.
func (u *Unit) scriptedAt(r sector.Range) (x *rule, at sector.LBA) {
	for _, y := range u.rules {
		both := y.over.Intersect(r)
		if y.times != 0 && !both.Empty() && (x == nil || both.First <= at) {
			x, at = y, both.First
		}
	}
	if x == nil {
		return nil, 0
	}
	return x.use(), at
}

// byScript is what a rule makes of a command.
func (u *Unit) byScript(x *rule, request scsi.Request, data []byte, patience time.Duration) reply {
	switch e := x.does.(type) {
	case Says:
		var p reply
		if performed(e.Sense) {
			p = u.perform(request, data, patience)
		}
		return u.ended(p, e.Sense)
	case Garbles:
		p := u.perform(request, data, patience)
		garble(data[:p.count])
		p.good = 0
		return p
	case Drops:
		return reply{count: len(data)}
	}
	return u.gone(x.does, u.now, patience)
}

// gone is the effects that are the same wherever they are met, in a command that began
// at start.
func (u *Unit) gone(e Effect, start, patience time.Duration) reply {
	switch e := e.(type) {
	case Ends:
		return reply{status: e.Status}
	case Hangs:
		return u.fallSilent(silence{until: u.now + e.For, needs: e.Needs}, start, patience)
	case Unplugs:
		u.away = true
	}
	return reply{fate: Unplugged}
}

// performed tells whether sense data says that its command was performed all the same.
func performed(s scsi.Sense) bool {
	return !s.Deferred && (s.Key == scsi.RecoveredError || s.Key == scsi.NoSense)
}

// partly tells whether a read that ends with it gives what lies in front.
func partly(s scsi.Sense) bool {
	return !s.Deferred && (s.Key == scsi.MediumError || s.Key == scsi.HardwareError || s.Key == scsi.BlankCheck)
}

// ended puts scripted sense data into a reply, unless that tells of something worse.
func (u *Unit) ended(p reply, s scsi.Sense) reply {
	if p.fate == Answered && p.sense == nil {
		p.sense = &s
	}
	return p
}

// readByScript reads a range in which a rule is met at a sector.
func (u *Unit) readByScript(x *rule, at sector.LBA, q reading, data []byte, patience time.Duration) reply {
	start := u.now
	front := q
	front.r.End = at
	switch e := x.does.(type) {
	case Says:
		s := e.Sense
		if !e.Unnamed {
			s.Valid, s.Information = true, uint64(at)
		}
		switch {
		case performed(s):
			return u.ended(u.readDisc(q, data, patience), s)
		case partly(s):
			return u.ended(u.readDisc(front, data, patience), s)
		}
		return failed(&s)
	case Garbles:
		p := u.readDisc(q, data, patience)
		if p.fate != Answered {
			return p
		}
		spoilt := x.over.Intersect(sector.Span(q.r.First, int64(p.count)/sector.Size))
		if !spoilt.Empty() {
			garble(data[(spoilt.First - q.r.First).Offset():][:spoilt.Bytes()])
			p.good = min(p.good, int64(spoilt.First-q.r.First))
		}
		return p
	case Drops:
		p := u.readDisc(front, data, patience)
		if p.fate == Answered && p.sense == nil {
			p.count = len(data)
		}
		return p
	}
	if p := u.readDisc(front, data, patience); p.fate != Answered || p.sense != nil {
		return p
	}
	return u.gone(x.does, start, patience)
}

// garble makes every byte wrong.
func garble(b []byte) {
	for i := range b {
		b[i] ^= byte(1 + i%255)
	}
}

// stall is what the drive needs after a stall of its own.
func (u *Unit) stall() sim.Cure {
	s := u.medium.Disc.Scenario()
	i, _ := s.Drive(u.name) // Insert has seen it
	return s.Drives[i].Stall.Needs
}
