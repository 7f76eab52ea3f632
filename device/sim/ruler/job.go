package ruler

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim"
)

// Job is a whole job on a simulated disc: every round, in each of them the drives
// in turn, each for what is then missing.
type Job struct {
	Disc   *sim.Disc
	Order  func(Task) Order // makes the order of a pass
	Name   string           // of the order, for the report
	Budget time.Duration    // virtual time after which a pass begins no further command; 0: no limit
	Trace  io.Writer        // nil: none

	// Read reads a pass instead of an order, if it is not nil. It must go on until
	// all that is missing was asked for, and keep to the budget.
	Read func(context.Context, Task, *Attended) error
}

// Attended is a simulated drive with somebody beside it: opened anew after a stall
// it gets the reset or the reload that it needs to answer.
type Attended struct {
	*sim.Drive
	needs sim.Cure
}

// Reopen implements device.Reopener.
func (a *Attended) Reopen(ctx context.Context) error {
	a.Cure(a.needs)
	return a.Drive.Reopen(ctx)
}

// Run runs the job. An error is returned when the trace can't be written, when an
// order asks for what it may not, or when ctx ends.
func (j Job) Run(ctx context.Context) (*Report, error) {
	s := j.Disc.Scenario()
	missing := make(bitmap, s.Blocks())
	missing.add(sector.Span(0, s.Sectors))
	all := newTally(missing)
	t := newTrace(j.Trace)
	rep := &Report{Scenario: s.Name, Order: j.Name}
	now := time.Duration(0)
	for round := range s.Rounds {
		chances, err := j.chances(ctx, round)
		if err != nil {
			return nil, err
		}
		for n, spec := range s.Drives {
			p := &pass{
				job: j, round: round, number: n, spec: spec, chances: chances[n],
				tally: newTally(missing), left: slices.Clone(missing), trace: t, began: now,
			}
			if err := p.run(ctx); err != nil {
				return nil, fmt.Errorf("round %d, drive %s: %w", round, spec.Name, err)
			}
			now = p.ended
			rep.Passes = append(rep.Passes, PassReport{
				Round: round, Drive: spec.Name, NoMedium: p.noMedium, Figures: p.figures(p.began, p.ended),
			})
			all.join(p.tally)
			missing = p.left
		}
	}
	rep.All = all.figures(0, now)
	return rep, t.flush()
}

// chances is how each block fares in a round, by drive and block.
func (j Job) chances(ctx context.Context, round int) ([][]sim.Chance, error) {
	s := j.Disc.Scenario()
	all := make([][]sim.Chance, len(s.Drives))
	for d := range all {
		all[d] = make([]sim.Chance, s.Blocks())
	}
	var of []sim.Chance
	for b := range s.Blocks() {
		if b%1024 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		of = j.Disc.AppendChances(of[:0], round, b)
		for d, c := range of {
			all[d][b] = c
		}
	}
	return all, nil
}

// pass is one pass while it runs.
type pass struct {
	job           Job
	round, number int // number of the drive
	spec          sim.DriveSpec
	chances       []sim.Chance
	trace         *trace

	*tally
	left         bitmap // what is still missing
	began, ended time.Duration
	noMedium     bool

	drive *Attended
}

func (p *pass) run(ctx context.Context) error {
	p.ended = p.began
	for b, c := range p.chances {
		p.readable[b] = c.Readable()
	}
	drive, err := p.job.Disc.Open(sim.Opening{
		Drive: p.number, Round: p.round, Start: p.began, Known: p.chances, Watch: p.watch,
	})
	var none *device.OpenError
	if errors.As(err, &none) && none.NoDisc {
		p.noMedium = true
		return nil
	}
	if err != nil {
		return err
	}
	defer drive.Close()
	p.drive = &Attended{drive, p.spec.Stall.Needs}
	if p.job.Read != nil {
		return p.job.Read(ctx, p.task(p.left), p.drive)
	}
	if err := p.follow(ctx, p.job.Order(p.task(p.left))); err != nil {
		return err
	}
	// What the order has not asked for.
	task := p.task(p.left.without(p.asked))
	return p.follow(ctx, &rounds{left: []round{{task.Blocks(), task.Least, 1}}})
}

// watch takes a read command in.
func (p *pass) watch(c sim.Command) {
	p.note(c, c.Range.Count()-p.left.countIn(c.Range))
	p.trace.note(p.round, p.spec.Name, c)
	p.ended = c.End
	p.left.remove(sector.Span(c.Range.First, c.Good))
}

// task is a pass for what is missing.
func (p *pass) task(missing bitmap) Task {
	return Task{
		Round: p.round, Drive: p.number, Info: p.drive.Info(), Missing: missing.set(),
		Own: p.spec.Retries, Least: p.spec.LeastRetries, Chances: p.chances,
	}
}

// follow reads by an order until it has nothing more to say or the budget is used
// up.
func (p *pass) follow(ctx context.Context, o Order) error {
	for p.job.Budget == 0 || p.ended-p.began < p.job.Budget {
		q, ok := o.Next()
		if !ok {
			return nil
		}
		if err := p.drive.Set(ctx, q.Settings); err != nil {
			return err
		}
		if _, err := p.drive.Slow(ctx, q.Slow); err != nil {
			return err
		}
		if err := p.drive.Ask(q.Range); err != nil {
			return err
		}
		a, err := p.drive.Answer(ctx)
		if err != nil {
			return err
		}
		o.Note(q, a)
		if a.Err != nil && a.Err.Class == device.Stalled {
			if err := p.drive.Reopen(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}
