package imager

import (
	"errors"
	"fmt"
	"strings"

	"turnstone/device"
	"turnstone/mapfile"
)

// OpenRound opens the next round and keeps an event of it. It returns the
// round's number.
func (c *Case) OpenRound(r mapfile.Round) (int, error) {
	r.Opened = c.now()
	c.reopen()
	n := c.m.AddRound(r)
	c.m.AddEvent(mapfile.Event{Time: r.Opened, Pass: -1, Kind: KindRound,
		Text: fmt.Sprintf("round %d: %s", n, TreatmentsInWords(r))})
	return n, c.saveRecords()
}

// AmendRound corrects what is noted of the last round, and keeps what was noted
// before as an event. What r leaves empty stays as it was. Round 0 has no
// treatment to correct: ErrNoTreatment is returned for one.
func (c *Case) AmendRound(r mapfile.Round) (int, error) {
	n := len(c.m.Rounds()) - 1
	if n == 0 && len(r.Treatments) > 0 {
		return n, ErrNoTreatment
	}
	was := c.m.Rounds()[n]
	now := was
	if len(r.Treatments) > 0 {
		now.Treatments = r.Treatments
	}
	if r.By != "" {
		now.By = r.By
	}
	if r.Note != "" {
		now.Note = r.Note
	}
	if r.Grams != 0 {
		now.Grams = r.Grams
	}
	if r.ThicknessMM != 0 {
		now.ThicknessMM = r.ThicknessMM
	}
	if err := c.m.SetRound(n, now); err != nil {
		return n, err
	}
	c.m.AddEvent(mapfile.Event{Time: c.now(), Pass: -1, Kind: KindAmended,
		Text: fmt.Sprintf("round %d was noted as %s; now %s", n, RoundInWords(n, was), RoundInWords(n, now))})
	return n, c.saveRecords()
}

// Inspected notes what the eye saw of the disc. What s leaves empty stays as it
// was noted before.
func (c *Case) Inspected(s mapfile.Seen) error {
	d := c.m.Disc()
	was := mapfile.Seen{}
	if d.Seen != nil {
		was = *d.Seen
	}
	now := was
	now.At = c.now()
	for _, f := range []struct{ to, from *string }{
		{&now.Crack, &s.Crack}, {&now.Fragile, &s.Fragile}, {&now.Label, &s.Label}, {&now.By, &s.By}, {&now.Note, &s.Note},
	} {
		if *f.from != "" {
			*f.to = *f.from
		}
	}
	if s.SizeCM != 0 {
		now.SizeCM = s.SizeCM
	}
	d.Seen = &now
	if err := c.m.SetDisc(d); err != nil {
		return err
	}
	c.m.AddEvent(mapfile.Event{Time: now.At, Pass: -1, Kind: KindInspected, Text: SeenInWords(now)})
	return c.saveRecords()
}

// saveRecords commits what changed beside the sectors, and the snapshot.
func (c *Case) saveRecords() error {
	if err := c.commit(); err != nil {
		return err
	}
	return c.disk.writeStatus(c.m)
}

// TreatmentsInWords is what opened a round.
func TreatmentsInWords(r mapfile.Round) string {
	if len(r.Treatments) == 0 {
		return "no treatment noted"
	}
	var typed []string
	for _, t := range r.Treatments {
		typed = append(typed, t.Typed)
	}
	return strings.Join(typed, "; ")
}

// RoundInWords is all that is noted of round n.
func RoundInWords(n int, r mapfile.Round) string {
	s := TreatmentsInWords(r)
	if n == 0 {
		s = "the disc as it came in"
	}
	if r.By != "" {
		s += ", by " + r.By
	}
	if r.Grams != 0 {
		s += fmt.Sprintf(", %g g before", r.Grams)
	}
	if r.ThicknessMM != 0 {
		s += fmt.Sprintf(", %g mm thick before", r.ThicknessMM)
	}
	if r.Note != "" {
		s += fmt.Sprintf(" (%s)", r.Note)
	}
	return s
}

// SeenInWords is what the eye saw.
func SeenInWords(s mapfile.Seen) string {
	var parts []string
	for _, p := range []struct{ value, want, words string }{
		{s.Crack, "yes", "cracked"}, {s.Crack, "no", "no crack"},
		{s.Fragile, "yes", "fragile"}, {s.Fragile, "no", "not fragile"},
		{s.Label, "holes", "holes in the label"}, {s.Label, "sound", "label sound"},
	} {
		if p.value == p.want {
			parts = append(parts, p.words)
		}
	}
	if s.SizeCM != 0 {
		parts = append(parts, fmt.Sprintf("%d cm", s.SizeCM))
	}
	if s.CapKBps != 0 {
		parts = append(parts, fmt.Sprintf("to be read at %d kB/s at most", s.CapKBps))
	}
	if s.By != "" {
		parts = append(parts, "seen by "+s.By)
	}
	if s.Note != "" {
		parts = append(parts, s.Note)
	}
	if len(parts) == 0 {
		return "nothing noted"
	}
	return strings.Join(parts, ", ")
}

// Errors of what was noted by hand.
var (
	// ErrCracked is returned when a disc that is recorded as cracked is to be read.
	ErrCracked = errors.New("recorded as cracked")
	// ErrNoTreatment is returned when round 0, the disc as it came in, is to be
	// given a treatment.
	ErrNoTreatment = errors.New("round 0 is the disc as it came in: it has no treatment to correct")
)

// OutSince tells whether the disc was certainly, or for all that is known, out of
// the drive since the last pass of the case, given what the drive says of it now.
func (c *Case) OutSince(info device.Info) bool {
	passes := c.m.Passes()
	for i := len(passes) - 1; i >= 0; i-- {
		if p := passes[i]; p.Drive >= 0 {
			return p.Medium == "" || p.Medium != info.Medium
		}
	}
	return false
}

// Cracked tells whether the disc is recorded as cracked.
func (c *Case) Cracked() bool {
	seen := c.m.Disc().Seen
	return seen != nil && seen.Crack == "yes"
}
