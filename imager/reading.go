package imager

import (
	"context"
	"errors"
	"fmt"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// Reading is one pass to be run.
type Reading struct {
	Reader   device.Reader
	Only     sector.Set    // restricts the pass; empty: no restriction
	Again    bool          // ask also for what this round and drive did not bring before
	Budget   time.Duration // the pass ends after this time; 0: no limit
	SameDisc bool          // the user vouches that the drive holds the case's disc
	Listener Listener      // may be nil

	// CheckpointTime and CheckpointBytes say when a checkpoint is due: 5 s and
	// 64 MiB where they are 0.
	CheckpointTime  time.Duration
	CheckpointBytes int64
}

// Ending says how a pass ended.
type Ending struct {
	Pass int    // its number
	How  string // one of the How constants
	Why  string // a sentence without its period: what happened
}

// ErrNothingToAsk is returned when the pass would ask for nothing: all is good,
// or this round and drive were asked for everything already.
var ErrNothingToAsk = errors.New("nothing new to ask of this surface with this drive")

// Read runs a pass until its plan is done, its budget used up, ctx ends, or drive
// or disk fail. Whatever ends it, what came is saved, and Ending tells how it
// ended; the error is of the case's side, or says why no pass began (pass -1):
// ErrNothingToAsk, ErrOtherDisc, ErrUnproven, ErrRange.
//
// When ctx ends, the requests in hand are given two seconds.
func (c *Case) Read(ctx context.Context, r Reading) (Ending, error) {
	none := Ending{Pass: -1}
	if r.Listener == nil {
		r.Listener = silent{}
	}
	if r.CheckpointTime == 0 {
		r.CheckpointTime = 5 * time.Second
	}
	if r.CheckpointBytes == 0 {
		r.CheckpointBytes = 64 << 20
	}
	if c.Cracked() {
		return none, ErrCracked
	}
	info := r.Reader.Info()
	if b := r.Only.Bounds(); b.End > sector.LBA(info.Sectors) {
		return none, fmt.Errorf("%w: the disc has sectors 0 to %d, asked for was up to %d", ErrRange, info.Sectors-1, b.End-1)
	}
	mustRead, err := c.recognise(info)
	if err != nil {
		return Ending{Pass: -1, How: HowOtherDisc, Why: err.Error()}, err
	}
	if mustRead && !r.SameDisc {
		if e, err := c.proveDisc(ctx, r); err != nil {
			return e, err
		}
	}
	if err := c.grow(info); err != nil {
		return none, err
	}
	drive := driveNumber(c.m, info)
	task := c.task(r, info, drive)
	if todo := plan.ToAsk(task); todo.Empty() {
		return none, ErrNothingToAsk
	}
	p, err := c.begin(r, info, drive)
	if err != nil {
		return none, err
	}
	p.plan = plan.New(task)
	p.loop(ctx)
	return p.finish(ctx)
}

// proveDisc reads one good block to know the disc again, and keeps an event of
// it.
func (c *Case) proveDisc(ctx context.Context, r Reading) (Ending, error) {
	block := identityBlock(c.m)
	err := readIdentity(ctx, c.m, r.Reader, block)
	e := mapfile.Event{Time: c.now(), Pass: -1, Kind: KindIdentity, Range: block,
		Text: "the same disc"}
	end := Ending{Pass: -1, How: HowGone}
	if err != nil {
		e.Text = err.Error()
		end.Why = err.Error()
		if otherDisc(err) {
			end.How = HowOtherDisc
		}
	}
	r.Listener.Event(e)
	c.m.AddEvent(e)
	if err != nil {
		return end, errors.Join(err, c.commit())
	}
	return end, nil
}

// task is what the plan is told.
func (c *Case) task(r Reading, info device.Info, drive int) plan.Task {
	d := c.m.Disc()
	t := plan.Task{
		Disc: plan.Disc{Written: d.Written, Block: d.BlockSectors,
			Largest: int64(info.MaxSectors), WholeBlocks: info.WholeBlocks},
		Good: c.m.In(mapfile.Good), Only: r.Only,
		Round: len(c.m.Rounds()) - 1, Drive: drive, Again: r.Again,
	}
	for n, p := range c.m.Passes() {
		past := plan.Past{Round: p.Round, Drive: p.Drive, Settings: p.Settings}
		for run := range c.m.Runs(n) {
			past.Runs = append(past.Runs, run)
		}
		t.History = append(t.History, past)
	}
	return t
}

// begin makes the pass known on the disk, before anything is written into the
// image: if the program is killed, the next one sees that there may be sectors
// in the image that the map does not call good.
func (c *Case) begin(r Reading, info device.Info, drive int) (*pass, error) {
	rec := mapfile.Pass{
		Round: len(c.m.Rounds()) - 1, Drive: drive, Started: c.now(),
		Settings: []mapfile.Settings{{}}, Medium: info.Medium,
	}
	n, err := c.m.AddPass(rec)
	if err == nil {
		err = c.commit()
	}
	if err != nil {
		return nil, fmt.Errorf("beginning a pass: %w", err)
	}
	p := &pass{
		c: c, r: r, n: n, rec: rec, info: info, began: rec.Started,
		good: c.m.Count(mapfile.Good), block: max(1, c.m.Disc().BlockSectors),
		saver: saver{disk: c.disk, m: c.m, pass: n, every: r.CheckpointTime,
			bytes: r.CheckpointBytes, last: rec.Started},
	}
	p.written = p.good + c.m.Count(mapfile.Bad) + c.m.Count(mapfile.Untried)
	return p, nil
}
