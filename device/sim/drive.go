package sim

import (
	"context"
	"fmt"
	"sync"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// Vendor is what simulated drives say where a drive tells its maker.
const Vendor = "Simulated"

// Opening says which of a scenario's drives is opened, and on which surface.
type Opening struct {
	Drive int // number of the drive
	Round int // whose surface the disc has

	// Pass tells openings of the same drive in the same round apart: each pass
	// draws its own noise.
	Pass  uint32
	Start time.Duration // what the drive's clock shows at first

	// Real decodes blocks with the disc's code instead of counting rows. It takes
	// long and comes to the same.
	Real bool

	// Known is the drive's chances in that round by block, where they were worked
	// out before; nil where they weren't. It saves time.
	Known []Chance

	// Watch is told each read command, if it is not nil. It must not call the drive.
	Watch func(Command)
}

// Command is what became of one read command.
type Command struct {
	Start, End time.Duration // of the virtual clock
	Range      sector.Range
	Good       int64 // leading sectors that came
	Outcome    Outcome
	X          int   // speed at which it ran, as a multiple of 1x
	Retries    uint8 // read retry count that it ran under
}

// Outcome is how a read command ended.
type Outcome string

// The outcomes.
const (
	OK         Outcome = "ok"
	Medium     Outcome = "medium" // a block could not be corrected
	LostTrack  Outcome = "track"
	LongSilent Outcome = "stall" // the track was lost and no answer came
)

// Drive is an opened simulated drive: a device.Reader whose time is virtual. It is
// also a device.Setter, a device.Slower and a device.Reopener.
type Drive struct {
	disc    *Disc
	spec    DriveSpec
	round   int
	ground  *ground
	decoder decoder
	watch   func(Command)

	mu      sync.Mutex // over all that follows; Close may be called by any goroutine
	info    device.Info
	closed  bool
	needs   Cure // what the drive needs to answer again; "" while it answers
	retries uint8
	limit   int  // rung of the cap
	slow    bool // told to be, whatever the cap
	waiting *request
	data    []byte
	m       mechanism
	blocks  outlook
	cd      *cdOutlook // nil for another disc
}

// request is what was asked, and the settings that held then.
type request struct {
	r       sector.Range
	retries uint8
	limit   int
}

// Open opens a drive. A *device.OpenError that says NoDisc is returned when the
// drive would lose the track everywhere: such a drive says that there is no
// medium. Other errors tell of a drive or round that the scenario has not.
func (d *Disc) Open(o Opening) (*Drive, error) {
	s := d.scenario
	if o.Drive < 0 || o.Drive >= len(s.Drives) {
		return nil, fmt.Errorf("scenario %s has %d drives, no number %d", s.Name, len(s.Drives), o.Drive)
	}
	if err := d.hasRound(o.Round); err != nil {
		return nil, err
	}
	spec := s.Drives[o.Drive]
	v := &Drive{
		disc: d, spec: spec, round: o.Round, ground: d.grounds[o.Round], watch: o.Watch,
		decoder: counting{}, retries: spec.Retries,
		m: newMechanism(d, &spec, o.Start),
		info: device.Info{
			Node: s.node() + ":" + spec.Name, Vendor: Vendor, Model: "drive", Serial: spec.Name,
			Kind: s.kind(), Sectors: s.Sectors, BlockSectors: int(s.block()), MaxSectors: longestRead, Depth: 1,
			Medium:      fmt.Sprintf("scenario %s, round %d, drive %s", s.digest, o.Round, spec.Name),
			WholeBlocks: !s.CD(), Layers: s.shape.Layers, Parallel: !s.shape.Opposite && len(s.shape.Layers) > 1,
			Retries: &device.RetryCounts{Least: spec.LeastRetries, Own: spec.Retries},
		},
	}
	if o.Real && !s.CD() {
		v.decoder = newCoding(d)
	}
	none := false
	if s.CD() {
		v.cd = newCDOutlook(v, o.Pass)
		if o.Real {
			v.cd.attempt.real()
		}
		none = v.cd.allLost()
	} else {
		v.blocks = newOutlook(v, o.Pass, o.Known)
		none = v.blocks.allLost()
	}
	if none {
		return nil, &device.OpenError{
			Node: v.info.Node, What: "the drive finds no medium", NoDisc: true,
			Cure: "The surface is too dull or scratched for it to be recognised: polish it, or try another drive.",
		}
	}
	return v, nil
}

// Now is what the drive's clock shows.
func (v *Drive) Now() time.Duration {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.m.now
}

// Info describes the drive.
func (v *Drive) Info() device.Info {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.info
}

// Ask queues a request.
func (v *Drive) Ask(r sector.Range) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.closed || v.needs != "" {
		return device.ErrClosed
	}
	if err := v.info.Check(r); err != nil {
		return err
	}
	if v.waiting != nil {
		return device.ErrFull
	}
	v.waiting = &request{r, v.retries, v.fastest()}
	return nil
}

// Answer reads what was asked. It takes no time but the clock's.
func (v *Drive) Answer(ctx context.Context) (device.Answer, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	switch {
	case v.closed:
		return device.Answer{}, device.ErrClosed
	case v.waiting == nil:
		return device.Answer{}, device.ErrIdle
	case ctx.Err() != nil:
		return device.Answer{}, ctx.Err()
	}
	q := *v.waiting
	v.waiting = nil
	c, weak := v.read(q)
	if v.watch != nil {
		v.watch(c)
	}
	if v.data == nil {
		v.data = make([]byte, longestRead*sector.Size)
	}
	a := device.Answer{Asked: q.r, Data: v.data[:c.Good*sector.Size], Took: c.End - c.Start}
	a.Err = v.failure(c)
	if weak && a.Err == nil {
		a.Weak = []sector.Range{q.r}
	}
	if err := v.disc.content.read(q.r.First, a.Data); err != nil {
		a.Data = nil
		a.Err = &device.ReadError{Drive: v.info.Name(), Asked: q.r, Class: device.Refused, At: -1,
			Text: "the scenario's image can't be read", Err: err}
	}
	return a, nil
}

// failure is the error of a command; nil for one that went well.
func (v *Drive) failure(c Command) *device.ReadError {
	if c.Outcome == OK {
		return nil
	}
	e := &device.ReadError{Drive: v.info.Name(), Asked: c.Range, At: c.Range.First + sector.LBA(c.Good)}
	switch c.Outcome {
	case Medium:
		e.Class, e.Text = device.Medium, "unrecovered read error"
		e.Sense = device.Sense{Key: 3, ASC: 0x11, ASCQ: 5} // L-EC uncorrectable error
	case LostTrack:
		e.Class, e.Text = device.Track, "track following error"
		e.Sense = device.Sense{Key: 3, ASC: 0x09}
	default:
		e.Class, e.At = device.Stalled, -1
		e.Text = fmt.Sprintf("no answer for %v", (c.End - c.Start).Round(time.Second))
	}
	return e
}

// Set changes settings. A retry count below the drive's least and a speed below 0
// are unsupported; a cap that lies between two speeds takes the lower one, one
// below all of them the slowest.
func (v *Drive) Set(_ context.Context, s device.Settings) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.closed {
		return device.ErrClosed
	}
	if s.SpeedKBps < 0 {
		return fmt.Errorf("%w: a speed of %d kB/s", device.ErrUnsupported, s.SpeedKBps)
	}
	if s.Retries != nil {
		if *s.Retries < v.spec.LeastRetries {
			return fmt.Errorf("%w: %d retries; the least of %s is %d", device.ErrUnsupported,
				*s.Retries, v.info.Name(), v.spec.LeastRetries)
		}
		v.retries = *s.Retries
	}
	if s.SpeedKBps > 0 {
		v.limit = v.spec.gears.under(s.SpeedKBps)
	}
	return nil
}

// Slow implements device.Slower.
func (v *Drive) Slow(_ context.Context, slow bool) (int, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.closed {
		return 0, device.ErrClosed
	}
	v.slow = slow
	return v.spec.gears.kBps(max(v.fastest(), v.m.fastest)), nil
}

// fastest is the rung that settings allow.
func (v *Drive) fastest() int {
	if v.slow {
		return len(v.m.ladder) - 1
	}
	return v.limit
}

// Reopen opens the drive anew. After a stall a drive that needs a reset or a
// reload goes on giving no answer until it had that.
func (v *Drive) Reopen(ctx context.Context) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	switch {
	case v.closed:
		return device.ErrClosed
	case ctx.Err() != nil:
		return ctx.Err()
	}
	v.waiting = nil
	switch v.needs {
	case "":
		return nil
	case Waiting:
		v.needs = ""
		if name := v.spec.Stall.Returns; name != "" {
			v.info.Node = name
		}
		return nil
	}
	return &device.ReadError{Drive: v.info.Name(), Class: device.Stalled, At: -1,
		Text: fmt.Sprintf("no answer; the drive needs a %s", v.needs)}
}

// Cure does something to the drive from outside: a reset, or a reload, which is
// as good as one. The drive has its own settings again then, and can be reopened.
func (v *Drive) Cure(c Cure) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if c == Waiting {
		return
	}
	v.waiting, v.retries, v.limit, v.slow = nil, v.spec.Retries, 0, false
	if c == Reload || v.needs == Reset {
		v.needs = Waiting
	}
}

// Close ends the drive's use.
func (v *Drive) Close() error {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.closed, v.waiting = true, nil
	return nil
}
