package imager

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"

	"turnstone/device"
	"turnstone/mapfile"
)

// Runs is the run service: it runs passes, several at once, one at a time on each
// case. A case is locked only while something runs on it:
//
//	Start ──> waiting ──> opening ──> reading ──> over     one goroutine a run
//	             └ for the pass before it on the same case
//
// Its methods may be called by any goroutine.
type Runs struct {
	writer func() Writer

	mu    sync.Mutex
	turns map[string]chan struct{} // by case folder: full while a run or a change has it
	runs  map[*Run]bool            // that are not over
}

// NewRuns is a run service whose cases are written into by who writer says, anew each
// time.
func NewRuns(writer func() Writer) *Runs {
	return &Runs{writer: writer, turns: map[string]chan struct{}{}, runs: map[*Run]bool{}}
}

// Stage is how far a run is.
type Stage uint8

const (
	Waiting Stage = iota // for another run on the same case
	Opening              // case and drive
	Running              // the pass
	Over
)

// Run is one pass that runs, or did.
type Run struct {
	Dir   string // of the case
	Drive string // as the job's owner calls it

	cancel context.CancelCauseFunc
	over   chan struct{}

	mu    sync.Mutex
	stage Stage
	out   Outcome // once it is over
	err   error
}

// ErrBusy is returned when a run or a change is wanted of a drive or a case with which
// this program works already.
var ErrBusy = errors.New("busy")

// Start begins to run a job and returns at once. Where another run has the case, this
// one waits for it: one case is read by one drive while another waits. ErrBusy is
// returned where the drive is in use by another run already, unless drive is "". The
// run ends with ctx.
func (s *Runs) Start(ctx context.Context, drive string, j Job, d Desk) (*Run, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for other := range s.runs {
		if drive != "" && other.Drive == drive {
			return nil, fmt.Errorf("%s: %w: it reads for %s", drive, ErrBusy, other.Dir)
		}
	}
	ctx, cancel := context.WithCancelCause(ctx)
	r := &Run{Dir: j.Dir, Drive: drive, cancel: cancel, over: make(chan struct{})}
	s.runs[r] = true
	turn := s.turn(j.Dir)
	go func() {
		defer cancel(nil)
		out, err := r.take(ctx, turn, func() (Outcome, error) { return j.run(ctx, s.writer(), staged{d, r}) })
		r.mu.Lock()
		r.stage, r.out, r.err = Over, out, err
		r.mu.Unlock()
		s.mu.Lock()
		delete(s.runs, r)
		s.mu.Unlock()
		close(r.over)
	}()
	return r, nil
}

// turn is whose turn it is on a case: full while somebody has it.
func (s *Runs) turn(dir string) chan struct{} {
	dir = filepath.Clean(dir)
	if s.turns[dir] == nil {
		s.turns[dir] = make(chan struct{}, 1)
	}
	return s.turns[dir]
}

// take runs do once the case is free.
func (r *Run) take(ctx context.Context, turn chan struct{}, do func() (Outcome, error)) (Outcome, error) {
	select {
	case turn <- struct{}{}:
		defer func() { <-turn }()
	case <-ctx.Done():
		return Outcome{Ending: Ending{Pass: -1}}, ctx.Err()
	}
	r.at(Opening)
	return do()
}

// staged is a desk that notes how far the run is.
type staged struct {
	Desk
	r *Run
}

func (d staged) Progress(p Progress) {
	d.r.at(Running)
	d.Desk.Progress(p)
}

func (r *Run) at(s Stage) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stage = s
}

// Stage is how far it is.
func (r *Run) Stage() Stage {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.stage
}

// Stop ends the pass in order, and has the disc come to rest. It returns at once.
func (r *Run) Stop() { r.cancel(ErrStopped) }

// Done is closed when the run is over.
func (r *Run) Done() <-chan struct{} { return r.over }

// Wait waits until the run is over. What it returns is what Case.Read does, with the
// errors of all that goes before (Job).
func (r *Run) Wait() (Outcome, error) {
	<-r.over
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.out, r.err
}

// On is the runs on a case that are not over; the one that has it, before those that
// wait.
func (s *Runs) On(dir string) (all []*Run) {
	dir = filepath.Clean(dir)
	s.mu.Lock()
	defer s.mu.Unlock()
	for r := range s.runs {
		if filepath.Clean(r.Dir) != dir {
			continue
		}
		if r.Stage() == Waiting {
			all = append(all, r)
		} else {
			all = append([]*Run{r}, all...)
		}
	}
	return all
}

// With is the run that has a drive, by its name; nil where none has.
func (s *Runs) With(drive string) *Run {
	s.mu.Lock()
	defer s.mu.Unlock()
	for r := range s.runs {
		if r.Drive == drive {
			return r
		}
	}
	return nil
}

// Change opens a case for something that is done in a moment, such as opening a round,
// and lets go of it. ErrBusy is returned where a run has the case; the other errors are
// those of Open and of do.
func (s *Runs) Change(dir string, do func(*Case) error) error { return s.hold(dir, Open, do) }

// Prove proves a case (Case.Prove). ErrBusy is returned where a run has the case; the
// other errors are those of OpenUnproven and of Case.Prove.
func (s *Runs) Prove(dir string) (res CheckResult, err error) {
	err = s.hold(dir, OpenUnproven, func(c *Case) error {
		res, err = c.Prove()
		return err
	})
	return res, err
}

// hold has a case while something is done to it.
func (s *Runs) hold(dir string, open func(string, Writer) (*Case, error), do func(*Case) error) (err error) {
	s.mu.Lock()
	turn := s.turn(dir)
	s.mu.Unlock()
	select {
	case turn <- struct{}{}:
		defer func() { <-turn }()
	default:
		return fmt.Errorf("%s: %w: a pass runs on it", dir, ErrBusy)
	}
	c, err := open(dir, s.writer())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	return do(c)
}

// Make makes a new case of a disc of which nothing is known but what do notes. The
// errors are those of Create and of do.
func (s *Runs) Make(dir string, do func(*Case) error) (err error) {
	c, err := Create(dir, s.writer(), mapfile.Disc{Kind: device.Unknown, BlockSectors: 16})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	return do(c)
}

// End ends all runs in order and waits until they are over.
func (s *Runs) End() {
	s.mu.Lock()
	var all []*Run
	for r := range s.runs {
		all = append(all, r)
	}
	s.mu.Unlock()
	for _, r := range all {
		r.cancel(context.Canceled)
	}
	for _, r := range all {
		<-r.over
	}
}
