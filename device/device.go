// Package device says what a drive is to the rest of the program: something
// that is asked for ranges of sectors and answers each with the good sectors
// that lead it, or with the reason why there are no more.
//
// The package holds the words only. Concrete drives live below it (blockdev,
// optical, sim); the conformance suite that each of them passes is devicetest.
//
//	Ask(r1) Ask(r2) ┐
//	                ▼ at most Info.Depth requests wait
//	            ┌────────┐
//	            │ drive  │  one request at a time, in the order of the asking
//	            └────────┘
//	                ▼
//	Answer() ── leading good sectors, time, weak or not, why it ended
package device

import (
	"context"
	"fmt"
	"strings"
	"time"

	"turnstone/device/sector"
)

// Reader is one opened drive with a disc (or an image file) in it.
//
// A Reader is used by one goroutine; Close may be called by any.
type Reader interface {
	// Info describes drive and disc as they were found at opening.
	Info() Info

	// Ask queues a request and returns at once. The range is not empty, lies
	// within Info.Sectors and holds at most Info.MaxSectors sectors; another is
	// refused with an error that says so (Info.Check). ErrFull is returned when
	// Info.Depth requests wait already, and ErrClosed after Close or once an
	// answer's error was the last (ReadError.Last); no request is queued then.
	// The drive may be asked for it by several commands, one after the other.
	Ask(r sector.Range) error

	// Answer waits for the answer to the oldest request that waits, and takes it
	// off the queue. ErrIdle is returned when none waits, ErrClosed after Close.
	// When ctx ends first its error is returned and the request goes on waiting:
	// a later Answer gets it. An answer whose error is the last (ReadError.Last)
	// drops the requests behind it: none waits then, and none of them counts as
	// asked.
	//
	// Who wants speed asks again before it uses the data, so that the drive has
	// work meanwhile: the data stays until the next Answer, not the next Ask.
	Answer(ctx context.Context) (Answer, error)

	// Close ends the drive's use and frees what belongs to it, within a second,
	// whatever the drive is doing.
	Close() error
}

// Answer is what became of one request.
type Answer struct {
	// Asked is the request's range.
	Asked sector.Range

	// Data holds the sectors that lead Asked and came without an error: whole
	// sectors, from Asked.First on. It is valid until the next call of Answer,
	// Reopen or Close, and must not be written to.
	Data []byte

	// Took is the time between the drive's taking the request up and the answer. Last
	// is how much of it the last command took, which is the one that failed where one
	// did; 0 where nobody knows of several.
	Took, Last time.Duration

	// Silent is how long the drive had given no answer to the command that it was still
	// at when the time of Finish was over; 0 where it was at none. It is not in Took.
	Silent time.Duration

	// Weak is which sectors of Data came only after the drive had repeated or
	// corrected more than usual (a recovered error, SPC), and those that came by the
	// same command: in order of address.
	Weak []sector.Range

	// Err says why no more came of what the drive was asked for; nil when all of that
	// came. Sectors of Asked that are not in Data were not asked for where Err is nil,
	// else those behind Err.Asked.
	Err *ReadError
}

// Good is the number of sectors in Data.
func (a Answer) Good() int64 { return int64(len(a.Data)) / sector.Size }

// Info describes a drive and what lies in it.
type Info struct {
	Node   string // device node or absolute path of the file
	Vendor string // "" where the drive does not tell
	Model  string
	Serial string

	// Port is where the drive is plugged in, by the names of USB's ports ("1-4.2"); ""
	// where that is not known. It tells drives apart that tell no serial number.
	Port string

	// Kind is what the disc is known to be: "cd", "dvd", "bd" or "unknown".
	Kind string

	// Sectors is the capacity in sectors of 2048 bytes.
	Sectors int64

	// BlockSectors is the number of sectors that one error-correction code word
	// covers, 16 where the kind is unknown.
	BlockSectors int

	// MaxSectors bounds one request, in sectors: a multiple of BlockSectors.
	MaxSectors int

	// Depth is the number of requests that may wait at the same time, 1 or more.
	Depth int

	// Medium is the same for two openings when the disc (or file) certainly was
	// not changed between them, "" where nothing tells. It is compared, never
	// read: a boot id and disk sequence number, or a file's identity and time.
	Medium string

	// WholeBlocks tells that the drive decodes whole blocks: a block that fails
	// is not worth asking for sector by sector.
	WholeBlocks bool

	// Written is what the drive says is recorded, within Sectors and in order of
	// address; none where it does not tell, which means all of it.
	Written []sector.Range

	// Sessions is where sessions with data begin, oldest first; none where the drive
	// does not tell.
	Sessions []sector.LBA

	// FormTwo is where a CD has sectors of mode 2 form 2, which carry 2,324 bytes: they
	// are not for Ask, but for a RawReader. They lie within Sectors, not in Written.
	FormTwo []sector.Range

	// Layers is how many sectors each layer holds, in order of address; none where
	// that is not known. Parallel tells that two layers are both read outwards
	// (parallel track path), not the second one inwards.
	Layers   []int64
	Parallel bool

	// Retries is which read retry counts the drive can be set to; nil where it
	// can't be set.
	Retries *RetryCounts

	// Identity is what the drive tells of the disc without reading sectors, by
	// name: what is the same for one disc in every drive that tells it. Nil where
	// it tells nothing.
	Identity map[string]string

	// Notes are sentences for the user about what the drive or the disc is, such as
	// that titles on it are protected.
	Notes []string
}

// Unique is the name in Info.Identity of what no other disc has, not even another of
// the same edition.
const Unique = "unique disc identifier"

// RetryCounts is the least read retry count that a drive takes, and its own, which it
// has when nothing is said.
type RetryCounts struct{ Least, Own uint8 }

// Check tells whether r may be asked for: it is not empty, lies on the disc and
// is not above MaxSectors. The error says which does not hold.
func (i Info) Check(r sector.Range) error {
	switch {
	case r.Empty():
		return fmt.Errorf("device: range %v is empty", r)
	case r.First < 0 || int64(r.End) > i.Sectors:
		return fmt.Errorf("device: range %v is not on a disc of %d sectors", r, i.Sectors)
	case r.Count() > int64(i.MaxSectors):
		return fmt.Errorf("device: range %v is longer than the %d sectors of one request", r, i.MaxSectors)
	}
	return nil
}

// Name is how people call the drive: vendor, model and serial, or its node.
func (i Info) Name() string {
	name := strings.Join(strings.Fields(i.Vendor+" "+i.Model+" "+i.Serial), " ")
	if name == "" {
		return i.Node
	}
	return name
}

// Reopener is an optional ability of a Reader: to go on after a stall. Reopen
// drops every request that waits, abandons what hangs, and opens the same drive
// anew; Info may differ afterwards. The Reader can be asked again when it
// returns nil. An error that is or wraps a *ReadError says what the drive did.
type Reopener interface {
	Reopen(ctx context.Context) error
}

// Finisher is an optional ability of a Reader: to bring what waits to an end soon.
type Finisher interface {
	// Finish has the drive do no more of all that waits than the command that it is
	// at. What waits is answered within that time by what came of it, which is no
	// error; what the command brings is in it if it ends by then.
	Finish(within time.Duration)
}

// Settings are what a drive can be told about reading. The zero value leaves the
// drive as it is.
type Settings struct {
	// Retries is the read retry count of the drive's error recovery page (SPC,
	// mode page 01h), which may be 0; nil where it is left alone.
	Retries *uint8
	// SpeedKBps caps the speed, in 1000 bytes a second; 0 where it is left alone.
	SpeedKBps int
}

// Setter is an optional ability of a Reader: settings that hold for the requests
// asked after the call. ErrUnsupported is returned when the drive can't honour
// one of them, and nothing is changed then.
type Setter interface {
	Set(ctx context.Context, s Settings) error
}

// Slower is an optional ability of a Setter: it reads slowly for a while, whatever its
// speeds are.
type Slower interface {
	// Slow has the drive read at the lowest speed that it has for the disc, or at what
	// held before again: its own speed, or the cap that it was set to. It returns the
	// speed that the drive then says it reads at, in 1000 bytes a second; where it does
	// not say, the one that it was asked for, and 0 for its own. ErrUnsupported is
	// returned when it can't be told, or goes on as fast as before.
	Slow(ctx context.Context, slow bool) (kBps int, err error)
}

// Restorer is an optional ability of a Setter whose settings outlast it: a drive keeps
// them until it is reset or switched off.
type Restorer interface {
	// Original is the drive's settings as they were found at opening, for Restore, now
	// or after a crash; nil where there is nothing to restore. It may be called before
	// anything is asked, and costs nothing.
	Original() []byte
	// Restore gives the drive such settings. An error says what came back.
	Restore(ctx context.Context, original []byte) error
}

// Step is something that is done to a drive which gives no answer, named as SPC, the
// kernel or USB name it: "TEST UNIT READY", "logical unit reset", "USB port reset".
type Step string

// Waiting is the step that does nothing to the drive.
const Waiting Step = "waiting"

// Reviver is an optional ability of a Reopener: more that can be done after a stall
// than to open the drive anew.
type Reviver interface {
	Reopener
	// Steps are those that this drive can be given, the cheapest first.
	Steps() []Step
	// Revive takes one of them, whatever the drive is doing, and waits until the drive
	// answers again or the step's time is over. When it returns nil the drive
	// answers, and Reopen is worth a try. An error says what came back.
	Revive(ctx context.Context, s Step) error
}

// SpindleStopper is an optional ability of a Reader: it has the disc come to rest in
// the drive.
type SpindleStopper interface {
	StopSpindle(ctx context.Context) error
}

// Ejector is an optional ability of a Reader: it opens the tray.
type Ejector interface {
	Eject(ctx context.Context) error
}
