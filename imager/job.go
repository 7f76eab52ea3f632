package imager

import (
	"context"
	"errors"
	"fmt"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Job is a pass to be run on a case, from opening case and drive to letting go of
// both:
//
//	case, if it is there ──> drive ──> case, if it is new ──> Ready ──> pass ──> tray
type Job struct {
	Dir string // of the case
	// Open opens the drive. It is told what the case knows; its error ends the run.
	Open func(ctx context.Context, k Known) (device.Reader, error)
	// Reading is what is to be read; reader and listener are the run's own.
	Reading Reading
	Eject   bool // open the tray when the pass is over
}

// Known is what a case knows that matters for opening a drive. Of a new case it is the
// zero value.
type Known struct {
	Kind   string // of the disc; "" where it is not known
	Round  int    // in which the disc is
	Passes int    // that were read before
}

// Desk is who sits by a run and hears how it goes. Its methods are called by one
// goroutine, one at a time.
type Desk interface {
	Listener
	// Ready is called when case and drive are open and nothing was read yet. It may
	// ask what was done to the disc and open a round, and say of the reading what
	// depends on drive and case. Its error ends the run.
	Ready(ctx context.Context, c *Case, drive device.Info, r *Reading) error
	// Note tells of something beside the events, in a sentence without its period.
	Note(text string)
}

// Outcome is what became of a run.
type Outcome struct {
	Ending              // its pass is -1 where none began
	Map    *mapfile.Map // the case's, as it was let go of; nil where it was not opened
}

// ErrStopped is why a context ended of a run that is to have the disc come to rest
// too (context.Cause).
var ErrStopped = errors.New("stopped")

// Errors of what a run is asked for and drive or disc can't give.
var (
	// ErrNoTray is returned when the tray is to be opened of a drive that has none.
	ErrNoTray = errors.New("has no tray that a program can open")
	// ErrNoPlaces is returned when a disc is to be sampled of whose geometry nothing is
	// known.
	ErrNoPlaces = errors.New("nothing is known of where on a disc the sectors lie")
	// ErrOwnFile is returned when a case is to be read from a file of its own.
	ErrOwnFile = errors.New("is a file of this case itself")
)

// run runs a job to its end. The errors are those of Exists, Open, Create and
// Case.Read, of Job.Open and Desk.Ready, ErrCracked, ErrNoTray, ErrNoPlaces and
// ErrOwnFile.
func (j Job) run(ctx context.Context, w Writer, d Desk) (out Outcome, err error) {
	out.Pass = -1
	there, err := Exists(j.Dir)
	if err != nil {
		return out, err
	}
	clock := Clock{Wall: w.Now}
	w.Now = clock.Now
	var c *Case
	defer func() {
		if c != nil {
			out.Map = c.Map()
			err = errors.Join(err, c.Close())
		}
	}()
	var known Known
	start := clock.Wall()
	switch {
	case there: // before the drive: who has the case is known at once
		if c, err = Open(j.Dir, w); err != nil {
			return out, err
		}
		if c.Cracked() { // before the drive is touched: opening it may spin the disc
			return out, ErrCracked
		}
		known = c.known()
		if last := LastEntry(c.m); last.After(start) {
			start = last // a time of its own may have run ahead of the clock
		}
	case j.Reading.Settle:
		return out, fmt.Errorf("%s: %w", j.Dir, ErrNoCase)
	}
	reader, err := j.Open(ctx, known)
	if err != nil {
		return out, err
	}
	defer reader.Close()
	if err := j.fits(reader); err != nil {
		return out, err
	}
	clock.Follow(reader, start)
	info := reader.Info()
	if c == nil {
		if err := CheckRange(j.Reading.Only, info.Sectors); err != nil {
			return out, err
		}
		if c, err = Create(j.Dir, w, DiscOf(info)); err != nil {
			return out, err
		}
	}
	if c.IsOwn(info.Node) {
		return out, fmt.Errorf("%s %w", info.Node, ErrOwnFile)
	}
	r := j.Reading
	r.Reader, r.Listener = reader, d
	if err := d.Ready(ctx, c, info, &r); err != nil {
		return out, err
	}
	for _, text := range TargetWarnings(j.Dir, StatusOf(c.m).Missing()*sector.Size) {
		d.Note(text)
	}
	out.Ending, err = c.Read(ctx, r)
	j.leave(ctx, reader, out.Ending, d)
	return out, err
}

// known is what the case knows that matters for opening a drive.
func (c *Case) known() Known {
	k := Known{Round: len(c.m.Rounds()) - 1, Passes: len(c.m.Passes())}
	if kind := c.m.Disc().Kind; !kindUnknown(kind) {
		k.Kind = kind
	}
	return k
}

// fits tells whether a drive can do what the job wants beside reading.
func (j Job) fits(r device.Reader) error {
	info := r.Info()
	if _, ejects := r.(device.Ejector); j.Eject && !ejects {
		return fmt.Errorf("%s %w", info.Name(), ErrNoTray)
	}
	if j.Reading.Survey > 0 && info.Kind == device.Unknown {
		return fmt.Errorf("%s: %w", info.Node, ErrNoPlaces)
	}
	return nil
}

// leave brings the disc to rest and opens the tray, as the job wants it.
func (j Job) leave(ctx context.Context, r device.Reader, end Ending, d Desk) {
	if errors.Is(context.Cause(ctx), ErrStopped) {
		stopSpindle(r, d)
	}
	tray, ejects := r.(device.Ejector)
	if !j.Eject || !ejects || end.Failed() {
		return
	}
	if err := tray.Eject(context.WithoutCancel(ctx)); err != nil {
		d.Note(fmt.Sprintf("the tray did not open: %v", err))
	}
}

// spindlePatience is how long a drive may take to stop its spindle.
const spindlePatience = 5 * time.Second

// stopSpindle has the disc come to rest, where the drive can be told so.
func stopSpindle(r device.Reader, d Desk) {
	drive, ok := r.(device.SpindleStopper)
	if !ok {
		d.Note("This drive can't be told to stop its disc: switch it off, or open its tray.")
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), spindlePatience)
	defer cancel()
	if err := drive.StopSpindle(ctx); err != nil {
		d.Note(fmt.Sprintf("The drive did not stop its disc (%v): switch it off, or open its tray.", err))
		return
	}
	d.Note("The drive was told to stop its disc.")
}

// DiscOf is what a new case knows of its disc.
func DiscOf(info device.Info) mapfile.Disc {
	return mapfile.Disc{
		Kind: info.Kind, Sectors: info.Sectors, BlockSectors: int64(info.BlockSectors),
		Written: WrittenArea(info), Sessions: SessionsOf(info), Layers: info.Layers, Parallel: info.Parallel, Identity: info.Identity,
	}
}
