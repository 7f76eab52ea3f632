package imager

import (
	"turnstone/device"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// Rehearsal is a job without a case: what is asked for, and what it meant, goes
// into a map that nobody keeps. It serves to measure the order of reading, by
// whoever asks the drive.
type Rehearsal struct{ m *mapfile.Map }

// NewRehearsal begins one in round 0. ErrInvalid (of package mapfile) is returned
// for a disc that can't be.
func NewRehearsal(d mapfile.Disc) (*Rehearsal, error) {
	h := &Rehearsal{mapfile.New("")}
	h.OpenRound()
	return h, h.m.SetDisc(d)
}

// OpenRound opens the next round.
func (h *Rehearsal) OpenRound() { h.m.AddRound(mapfile.Round{}) }

// RehearsedPass is a pass of a Rehearsal. One request is in hand at a time.
type RehearsedPass struct {
	m        *mapfile.Map
	n        int
	plan     *plan.Plan
	settings control  // numbers what requests are read by; it sets nothing
	sums     []uint32 // as many as a request holds sectors: what came is not looked at
}

// Begin begins a pass with a drive, in the round opened last.
func (h *Rehearsal) Begin(info device.Info) (*RehearsedPass, error) {
	task := taskOf(h.m, info, h.m.Disc())
	task.ToTheEnd = true
	settings := newControl(nil, mapfile.Settings{})
	n, err := h.m.AddPass(mapfile.Pass{Round: task.Round, Drive: knownDrive(h.m, info), Settings: settings.all})
	if err != nil {
		return nil, err
	}
	return &RehearsedPass{h.m, n, plan.New(task), settings, make([]uint32, info.MaxSectors)}, nil
}

// Next is what to ask for next; false when the pass is over.
func (p *RehearsedPass) Next() (plan.Request, bool) {
	r, step := p.plan.Next()
	return r, step == plan.Ask
}

// Note takes the answer to what was asked for. An error is returned where the map
// does not take it.
func (p *RehearsedPass) Note(r plan.Request, a device.Answer) error {
	out := judge(r, a, p.m.Disc().BlockSectors)
	p.plan.Note(out)
	settings, err := p.number(r.Settings)
	if err != nil {
		return err
	}
	came, failed := runs(out, settings)
	if !came.Range.Empty() {
		if _, err := p.m.Record(p.n, came, p.sums[:came.Range.Count()]); err != nil {
			return err
		}
	}
	if failed.Range.Empty() {
		return nil
	}
	_, err = p.m.Record(p.n, failed, nil)
	return err
}

// number is the number of settings in the pass, which knows them from then on.
func (p *RehearsedPass) number(s mapfile.Settings) (uint8, error) {
	known := len(p.settings.all)
	n := p.settings.number(s)
	if len(p.settings.all) == known {
		return n, nil
	}
	rec := p.m.Passes()[p.n]
	rec.Settings = p.settings.all
	return n, p.m.SetPass(p.n, rec)
}
