package imager

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// Reading is one pass to be run.
type Reading struct {
	Reader    device.Reader
	Only      sector.Set    // restricts the pass; empty: no restriction
	Again     bool          // ask also for what this round and drive did not bring before
	ToTheEnd  bool          // go on until everything was asked for, however little it brings
	BySurface bool          // in the order of the surface alone: what files hold it does not count
	Budget    time.Duration // the pass ends after this time; 0: no limit
	SameDisc  bool          // the user vouches that the drive holds the case's disc
	Settle    bool          // read the sectors in conflict once more, and nothing else
	By        string        // who begins it, for the record; "" where nobody says
	Listener  Listener      // may be nil

	// Survey samples the surface instead of reading on: so many blocks at most, spread
	// evenly where SurveyEvenly says so, else more of them where results disagree; 0:
	// no survey.
	Survey       int64
	SurveyEvenly bool

	// Settings are what the user wants every request to be read by, whatever the
	// plan does; the speed is a cap.
	Settings mapfile.Settings

	// Allow is asked before something is done to a drive that gives no answer, where
	// the disc is recorded as fragile; nil: no.
	Allow func(context.Context, device.Step) bool

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

// ErrLittleLeft is returned when the pass would end before it asked for anything:
// what is left is not expected to bring enough.
var ErrLittleLeft = errors.New("what is left is expected to bring too little for its time")

// ErrNoConflict is returned when conflicts are to be settled and there are none.
var ErrNoConflict = errors.New("no sector is in conflict")

// Read runs a pass until its plan is done, its budget used up, ctx ends, or drive
// or disk fail. Whatever ends it, what came is saved, and Ending tells how it
// ended; the error is of the case's side, or says why no pass began (pass -1):
// ErrNothingToAsk, ErrLittleLeft, ErrNoConflict, ErrOtherDisc, ErrUnproven, ErrRange,
// ErrSettings.
//
// When ctx ends, the requests in hand are given two seconds.
func (c *Case) Read(ctx context.Context, r Reading) (Ending, error) {
	none := Ending{Pass: -1}
	if r.Listener == nil {
		r.Listener = silent{}
	}
	if c.Cracked() {
		return none, ErrCracked
	}
	info := r.Reader.Info()
	mustRead, err := c.recognise(info)
	if err != nil {
		return Ending{Pass: -1, How: HowOtherDisc, Why: err.Error()}, err
	}
	if r.Settle && len(c.m.Conflicts()) == 0 {
		return none, ErrNoConflict
	}
	disc := c.withoutFormTwo(grown(c.m.Disc(), info))
	if err := CheckRange(r.Only, disc.Sectors); err != nil {
		return none, err
	}
	back, err := c.lend(ctx, r.Reader, info)
	if err != nil {
		return none, err
	}
	end, err := c.readKnown(ctx, r, info, disc, mustRead)
	if owed := back(); owed != nil {
		err = errors.Join(err, owed)
	}
	return end, err
}

// readKnown runs a pass over a disc that was recognised; mustRead tells that a good
// block has to show that it is the case's.
func (c *Case) readKnown(ctx context.Context, r Reading, info device.Info, disc mapfile.Disc, mustRead bool) (Ending, error) {
	none := Ending{Pass: -1}
	control, err := c.careful(ctx, r, &disc)
	if err != nil {
		return none, err
	}
	if mustRead && !r.SameDisc {
		if e, err := c.proveDisc(ctx, r); err != nil {
			return e, err
		}
	}
	if r.Settle {
		return c.readAgain(ctx, r, info)
	}
	if r.Settings.Retries != nil {
		info.Retries = nil // the user has chosen: the plan counts on no others
	}
	raw, err := c.startRaw(r, info)
	if err != nil {
		return none, err
	}
	defer raw.close()
	course := c.courseOf(r, info, disc)
	if len(course.parts) > 1 { // files are looked up on the disc as it is now
		if err := c.learn(disc); err != nil {
			return none, err
		}
	}
	drive := driveNumber(c.m, info)
	if !raw.some(c.m, drive, nil) && c.leftLittle(r, info) {
		return Ending{Pass: -1, How: HowLittleLeft, Why: "the last pass with this drive on this surface ended since little was left to win"},
			errors.Join(ErrLittleLeft, c.commit())
	}
	order, first, err := course.next(sector.Set{})
	if err == nil && first != nil && !control.accepts(ctx, first.Settings) {
		info.Retries = nil
		course = c.courseOf(r, info, disc)
		order, first, err = course.next(sector.Set{})
	}
	if err != nil {
		return none, err
	}
	if order == nil && raw.some(c.m, drive, course.reach()) {
		order = plan.New(course.idle)
	}
	if order == nil {
		if err := c.commit(); err != nil { // the identity read is on record all the same
			return none, err
		}
		if course.last.How == HowLittleLeft {
			return Ending{Pass: -1, How: course.last.How, Why: course.last.Why}, ErrLittleLeft
		}
		return none, ErrNothingToAsk
	}
	if err := c.learn(disc); err != nil {
		return none, err
	}
	p, err := c.beginReading(r, info)
	if err != nil {
		return none, err
	}
	p.plan, p.first, p.course, p.control, p.raw = order, first, course, control, raw
	p.loop(ctx)
	end, err := p.finish(ctx)
	if err == nil {
		err = errors.Join(c.keepWanted(), c.tidyRaw(&p.raw))
	}
	return end, err
}

// leftLittle tells whether the last pass with this drive on this surface ended because
// little was left to win, and nothing new is wanted of the next. The plan would look at
// a few places more before it comes to the same end.
func (c *Case) leftLittle(r Reading, info device.Info) bool {
	if r.ToTheEnd || r.Again || r.Survey > 0 || !r.Only.Empty() || len(c.m.Wanted().Names) > 0 {
		return false
	}
	return lastEnded(c.m, driveNumber(c.m, info)) == HowLittleLeft
}

// lastEnded is how the last pass of a drive on this surface ended; "" where there is none.
func lastEnded(m *mapfile.Map, drive int) (how string) {
	round := len(m.Rounds()) - 1
	for _, p := range m.Passes() {
		if p.Round == round && p.Drive == drive {
			how = p.How
		}
	}
	return how
}

// CheckRange returns ErrRange where some of the sectors lie outside a disc of so
// many.
func CheckRange(only sector.Set, sectors int64) error {
	if b := only.Bounds(); b.End > sector.LBA(sectors) {
		return fmt.Errorf("%w: the disc has sectors 0 to %d, asked for was up to %d", ErrRange, sectors-1, b.End-1)
	}
	return nil
}

// knownAgain is the text of an identity read that came and matched.
const knownAgain = "the same disc"

// proveDisc reads one good block to know the disc again, and keeps an event of
// it. What did not come when the disc was to be known the last times is not asked for
// again: a treatment may have left a haze over it.
func (c *Case) proveDisc(ctx context.Context, r Reading) (Ending, error) {
	var tried []sector.Range
	err := Events(c.Dir, func(e mapfile.Event) bool {
		switch {
		case e.Kind == KindIdentity && e.Text == knownAgain:
			tried = nil
		case e.Kind == KindIdentity && e.Pass < 0:
			tried = append(tried, e.Range)
		}
		return true
	})
	if err != nil {
		return Ending{Pass: -1}, err
	}
	block := identityBlock(c.m, driveNumber(c.m, r.Reader.Info()), tried...)
	err = readIdentity(ctx, c.m, r.Reader, block)
	e := mapfile.Event{Time: c.now(), Pass: -1, Kind: KindIdentity, Range: block, Text: knownAgain}
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

// planDisc is what the plan is told of a disc.
func planDisc(d mapfile.Disc) plan.Disc {
	return plan.Disc{Written: d.Written, Block: d.BlockSectors, Kind: d.Kind, Layers: d.Layers, Parallel: d.Parallel}
}

// taskOf is what the plan is told of a map and a drive: of the disc, what this
// drive shows of it.
func taskOf(m *mapfile.Map, info device.Info, d mapfile.Disc) plan.Task {
	shown := sector.Of(sector.Span(0, info.Sectors))
	t := plan.Task{Disc: planDisc(d), Good: m.In(mapfile.Good), Round: len(m.Rounds()) - 1, Drive: driveNumber(m, info)}
	t.Disc.Written = d.Written.Intersect(&shown)
	t.Disc.Largest, t.Disc.WholeBlocks = int64(info.MaxSectors), info.WholeBlocks
	if r := info.Retries; r != nil {
		t.Retries = plan.Retries{Least: r.Least, Own: r.Own}
	}
	for n, p := range m.Passes() {
		t.History = append(t.History, plan.Past{Round: p.Round, Drive: p.Drive, Settings: p.Settings, Runs: slices.Collect(m.Runs(n))})
	}
	return t
}

// beginReading begins a pass that reads a drive.
func (c *Case) beginReading(r Reading, info device.Info) (*pass, error) {
	t, err := c.begin(mapfile.Pass{By: r.By, Round: len(c.m.Rounds()) - 1, Drive: knownDrive(c.m, info), Settings: []mapfile.Settings{{}}, Medium: info.Medium}, r.Listener, r.rhythm())
	if err != nil {
		return nil, err
	}
	d := c.m.Disc()
	return &pass{intake: t, r: r, info: info, block: max(1, d.BlockSectors),
		fragile: d.Seen != nil && d.Seen.Fragile == "yes"}, nil
}

func (r Reading) rhythm() rhythm { return rhythm{r.CheckpointTime, r.CheckpointBytes}.filled() }
