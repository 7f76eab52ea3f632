package main

import (
	"context"
	"errors"
	"os"
	"time"

	"turnstone/device/sim"
	"turnstone/device/sim/ruler"
	"turnstone/imager"
	"turnstone/mapfile"
)

// simulatedCase is a case into which a simulated job is read, by the same engine
// that reads a drive.
type simulatedCase struct {
	dir      string
	scenario *sim.Scenario
	budget   time.Duration
	c        *imager.Case // nil until a drive has recognised the disc
	clock    imager.Clock
	began    time.Time
}

func newSimulatedCase(dir string, s *sim.Scenario, budget time.Duration) (*simulatedCase, error) {
	if _, err := emptyFolder(dir); err != nil {
		return nil, err
	}
	// The case is made in it once the disc is known.
	return &simulatedCase{dir: dir, scenario: s, budget: budget, clock: imager.Clock{Wall: time.Now}, began: time.Now()}, os.Remove(dir)
}

// seldom is how often, in virtual time, a checkpoint is due at least: a crash
// would cost nothing that could not be simulated again.
const seldom = time.Hour

// read reads a pass until everything was asked for, whatever the drive does
// meanwhile.
func (k *simulatedCase) read(ctx context.Context, t ruler.Task, d *ruler.Attended) error {
	k.clock.Follow(d, k.began)
	if err := k.open(t, d); err != nil {
		return err
	}
	start := d.Now()
	for {
		left := time.Duration(0)
		if k.budget > 0 {
			if left = k.budget - (d.Now() - start); left <= 0 {
				return nil
			}
		}
		end, err := k.c.Read(ctx, imager.Reading{Reader: d, SameDisc: true, ToTheEnd: true, BySurface: true, Budget: left, CheckpointTime: seldom})
		switch {
		case errors.Is(err, imager.ErrNothingToAsk):
			return nil
		case err != nil:
			return err
		case ctx.Err() != nil:
			return ctx.Err()
		case end.How != imager.HowStalled:
			return nil
		}
		if err := d.Reopen(ctx); err != nil { // as the next command would
			return err
		}
	}
}

// open makes the case, or opens the rounds that lie between the last pass and this
// one.
func (k *simulatedCase) open(t ruler.Task, d *ruler.Attended) (err error) {
	if k.c == nil {
		who := writer()
		who.Now = k.clock.Now
		if k.c, err = imager.Create(k.dir, who, imager.DiscOf(d.Info())); err != nil {
			return err
		}
	}
	for n := len(k.c.Map().Rounds()); n <= t.Round; n++ {
		var r mapfile.Round
		for _, done := range k.scenario.Rounds[n] {
			r.Treatments = append(r.Treatments, treatmentOf(done))
		}
		if _, err := k.c.OpenRound(r); err != nil {
			return err
		}
	}
	return nil
}

// treatmentOf is a simulated treatment as a case knows it.
func treatmentOf(t sim.Treatment) mapfile.Treatment {
	m := mapfile.Treatment{Typed: t.String(), Word: imager.Polish, Grade: "simulated",
		Seconds: t.Seconds, FromMM: t.Inner, ToMM: t.Outer}
	if t.Grit > 0 {
		m.Word = imager.Sand
	}
	return m
}

func (k *simulatedCase) close() error {
	if k.c == nil {
		return nil
	}
	return k.c.Close()
}
