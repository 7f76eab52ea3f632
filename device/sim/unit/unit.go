package unit

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"turnstone/device/scsi"
	"turnstone/device/sim"
)

// Make is what a drive is like, beside its optics.
type Make struct {
	Flags scsi.RecoveryFlags // of mode page 01h, the drive's own
	Mask  scsi.Recovery      // what MODE SELECT may change on that page

	// Rounds makes of a read retry count below the drive's least that least, and
	// says nothing. Otherwise it is refused (5/26/02).
	Rounds bool

	Lacks      []scsi.Op // commands that this drive does not know
	NoFUA      bool      // FUA is refused
	Descriptor bool      // sense data comes in descriptor format
	Raw        RawHabit
}

// Usual is a drive like most.
func Usual() Make {
	return Make{
		Flags: scsi.ARRE,
		Mask:  scsi.Recovery{ReadRetries: 0xFF, Flags: scsi.TB | scsi.RC | scsi.PER},
	}
}

// Unit is one simulated drive. Its methods may be called by any goroutine.
type Unit struct {
	make Make
	name string // in scenarios
	spec sim.DriveSpec

	mu      sync.Mutex
	node    string
	now     time.Duration
	away    bool // unplugged
	silence *silence

	tray
	told
	settings
	rules []*rule
	stale *sim.Raw // what READ CD brought before
	log   []Entry
}

// New is the drive of that name in a scenario, by the name of its node: just switched
// on, its tray closed and empty. An error is returned when the scenario has no such
// drive.
func New(s *sim.Scenario, drive, node string, m Make) (*Unit, error) {
	i, ok := s.Drive(drive)
	if !ok {
		return nil, fmt.Errorf("scenario %s has no drive %q", s.Name, drive)
	}
	u := &Unit{make: m, name: drive, spec: s.Drives[i], node: node}
	u.tray.drives = map[*Medium]*sim.Drive{}
	u.settings = u.own()
	u.attend(powerOn)
	return u, nil
}

// Fate is whether a command was answered.
type Fate uint8

const (
	Answered  Fate = iota
	Unheard        // no answer came before the host's patience was over
	Unplugged      // there is no drive at the end of the cable
)

// Answer is what became of a command. Status, Sense and Residual are said only where
// it was answered.
type Answer struct {
	Fate     Fate
	Status   scsi.Status
	Sense    []byte
	Residual int // bytes of the data that did not go or come
}

// Do performs a command: its block, the data that goes with it or room for what comes,
// and how long the host waits for an answer on the virtual clock before it breaks the
// command off; 0 for a host that waits as long as there is any hope.
func (u *Unit) Do(cdb, data []byte, patience time.Duration) Answer {
	u.mu.Lock()
	defer u.mu.Unlock()
	e := u.entry(cdb)
	fate, heard := u.listen(patience)
	var p reply
	if heard {
		p = u.answer(cdb, data, patience, &e)
	} else {
		p.fate = fate
	}
	if p.fate == Answered && patience > 0 && u.now-e.Start > patience {
		p = u.fallSilent(silence{until: u.now}, e.Start, patience) // it was only slow
	}
	e.finish(p, u.now)
	u.log = append(u.log, e)
	a := Answer{Fate: p.fate, Status: p.status}
	if p.fate != Answered {
		return a
	}
	a.Residual = len(data) - min(p.count, len(data))
	if p.sense != nil {
		a.Status, a.Sense = scsi.CheckCondition, p.sense.Append(nil)
	}
	return a
}

// reply is how a command ends.
type reply struct {
	fate   Fate
	status scsi.Status
	sense  *scsi.Sense // CHECK CONDITION where there is one
	count  int         // bytes of the data that went or came
	good   int64       // sectors that came as they are on the disc
}

// failed is a reply that says why a command was not performed.
func failed(s *scsi.Sense) reply { return reply{sense: s} }

// answer is what a command gets that was heard.
func (u *Unit) answer(cdb, data []byte, patience time.Duration, e *Entry) reply {
	u.tick()
	request, err := scsi.Parse(cdb)
	switch field := (*scsi.FieldError)(nil); {
	case errors.As(err, &field) && !u.lacks(field.Op):
		s := field.Sense()
		return failed(u.format(&s))
	case err != nil, u.lacks(request.Command().Op()):
		return failed(u.says(scsi.IllegalRequest, 0x20, 0))
	}
	op := request.Command().Op()
	e.asks(request)
	if s := u.attention(op); s != nil {
		return failed(s)
	}
	if x := u.scripted(op); x != nil {
		return u.byScript(x, request, data, patience)
	}
	return u.perform(request, data, patience)
}

func (u *Unit) lacks(op scsi.Op) bool { return slices.Contains(u.make.Lacks, op) }

// perform does what a request asks.
func (u *Unit) perform(request scsi.Request, data []byte, patience time.Duration) reply {
	if needsDisc(request) {
		if s := u.notReady(); s != nil {
			return failed(s)
		}
	}
	switch r := request.(type) {
	case scsi.TestUnitReady:
		return reply{}
	case scsi.Read10:
		return u.read10(r, data, patience)
	case scsi.Read12:
		return u.read12(r, data, patience)
	case scsi.ReadCD:
		return u.readCD(r, data, patience)
	case scsi.Seek10:
		return failed(u.seek(r))
	case scsi.StartStopUnit:
		return failed(u.startStop(r))
	case scsi.PreventAllow:
		u.locked = r.Prevent
		return reply{}
	case scsi.ModeSelect10:
		return u.took(u.modeSelect(data[:min(len(data), int(r.Length))], int(r.Length)), int(r.Length))
	case scsi.SetCDSpeed:
		return failed(u.setSpeed(r))
	case scsi.SetStreaming:
		return u.took(u.setStreaming(r, data), int(r.Length))
	}
	b, s := u.respond(request)
	if s != nil {
		return failed(s)
	}
	room := min(int64(len(data)), request.Command().Len())
	return reply{count: copy(data[:room], b)}
}

// took is the reply to a command that carried n bytes.
func (u *Unit) took(s *scsi.Sense, n int) reply {
	if s != nil {
		return failed(s)
	}
	return reply{count: n}
}

// respond makes the response to what asks for one.
func (u *Unit) respond(request scsi.Request) ([]byte, *scsi.Sense) {
	switch r := request.(type) {
	case scsi.Inquiry:
		return u.inquiry(r)
	case scsi.RequestSense:
		return u.requestSense(r), nil
	case scsi.GetConfiguration:
		return u.configuration(r)
	case scsi.GetEventStatus:
		return u.eventStatus(r)
	case scsi.MechanismStatus:
		return scsi.Mechanism{DoorOpen: u.open, LBA: u.mechanismLBA()}.Append(nil), nil
	case scsi.ModeSense10:
		return u.modeSense(r)
	case scsi.ReadCapacity:
		return u.medium.capacity().Append(nil), nil
	case scsi.ReadDiscInformation:
		return u.discInformation(r)
	case scsi.ReadTrackInformation:
		return u.trackInformation(r)
	case scsi.ReadTOC:
		return u.contents(r)
	case scsi.ReadDiscStructure:
		return u.structure(r)
	case scsi.GetPerformance:
		return u.performance(r)
	}
	return nil, u.says(scsi.IllegalRequest, 0x20, 0)
}

// needsDisc tells which requests are about a disc, and fail where none is ready.
func needsDisc(request scsi.Request) bool {
	switch request.(type) {
	case scsi.TestUnitReady, scsi.Read10, scsi.Read12, scsi.ReadCD, scsi.Seek10, scsi.ReadCapacity, scsi.ReadTOC,
		scsi.ReadDiscInformation, scsi.ReadTrackInformation, scsi.ReadDiscStructure, scsi.GetPerformance:
		return true
	}
	return false
}

// says is sense data in the drive's format.
func (u *Unit) says(k scsi.Key, asc, ascq uint8) *scsi.Sense {
	return u.format(&scsi.Sense{Key: k, ASC: asc, ASCQ: ascq})
}

// field refuses a field of a command by the byte that it begins at.
func (u *Unit) field(at int) *scsi.Sense {
	return u.format(&scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x24, Specific: scsi.FieldPointer(true, at)})
}

// parameter refuses a field of a list that came with a command.
func (u *Unit) parameter(ascq uint8, at int) *scsi.Sense {
	return u.format(&scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x26, ASCQ: ascq, Specific: scsi.FieldPointer(false, at)})
}

func (u *Unit) format(s *scsi.Sense) *scsi.Sense {
	s.Descriptor = u.make.Descriptor
	return s
}
