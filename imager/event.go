package imager

import (
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// How a pass ended, as status --json says it.
const (
	HowComplete    = "complete"    // everything that this pass may ask was asked
	HowLittleLeft  = "little-left" // what is left is not worth its time
	HowBudget      = "budget"      // the time given was used up
	HowInterrupted = "interrupted" // the user ended it
	HowStalled     = "stalled"     // the drive stopped answering
	HowGone        = "gone"        // the drive or its disc went away
	HowOtherDisc   = "other-disc"  // the drive holds another disc
	HowError       = "error"       // the case's side failed, or the drive refused
	HowKilled      = "killed"      // the program was ended by force
)

// Kinds of events.
const (
	KindFailedRead = "failed-read"       // a read command failed
	KindStall      = "stall"             // the drive did not answer in time
	KindReopened   = "reopened"          // the drive was opened anew
	KindRestored   = "settings-restored" // the drive got its own settings back
	KindStep       = "step"              // something was done to a drive that gave no answer
	KindGone       = "gone"              // the drive or its disc went away
	KindIdentity   = "identity-read"     // a good block was read, to know the disc again or to see whether the drive answers
	KindDropped    = "not-counted"       // failed reads that no later delivery bore out
	KindConflict   = "conflict"          // good sectors came with other bytes
	KindRotten     = "rotten"            // good sectors became untried
	KindLost       = "lost-there"        // a merge's source does not have what it calls good
	KindBroken     = "broken-off"        // a pass file was cut short, or changed on its way
	KindReadAgain  = "read-again"        // sectors in conflict were read again to settle them
	KindSettled    = "settled"           // a conflict was settled
	KindPutOff     = "put-off"           // a checkpoint waits for readers of the map
	KindEnded      = "ended"             // the pass ended
	KindRound      = "round"             // a round was opened
	KindAmended    = "amended"           // what was noted of a round was corrected
	KindInspected  = "inspected"         // what the eye saw was noted
	KindCapped     = "capped"            // a fragile disc is read no faster than it was before
	KindHeld       = "held"              // how the disc in the hand lies to its map was noted
	KindWanted     = "wanted"            // what the customer needs was noted
	KindRepaired   = "put-together"      // a sector was put together from raw readings
	KindHabit      = "drive-habit"       // what the drive has turned out to do beside what it should
	KindForm       = "form-2"            // a sector has more than fits the image
	KindWatched    = "watched"           // that somebody watched the films was noted
	KindClosed     = "closed"            // the case was closed
	KindOpenAgain  = "open-again"        // a closed case is worked on again
	KindDiscarded  = "discarded"         // the customer's data was deleted
)

// Listener is told how a pass goes. Its methods are called by the goroutine that
// reads, one at a time, and should return at once.
type Listener interface {
	// Event tells of something worth a line in the file of the job.
	Event(e mapfile.Event)
	// Progress tells where the pass stands: after each answer, and about once a
	// second while the drive works on one.
	Progress(p Progress)
}

// Progress is where a pass stands at a moment.
type Progress struct {
	Time    time.Time
	Pass    int
	Round   int
	Sectors int64 // of the written area
	Good    int64 // sectors whose data is in the image, also those not yet durable
	Missing int64 // the rest of the written area
	Choosy  bool  // not all of it is wanted
	Wanted  int64 // of Missing, those that wanted files lie in
	Left    int64 // sectors that this pass is still to ask for

	Delivered int64 // bytes that this pass brought
	Failed    int64 // read commands that failed in this pass

	Doing  string        // why the reading is where it is, half a sentence
	At     sector.Range  // the request that the drive works on
	Trying time.Duration // for how long

	// Reviving is what is done to a drive that gives no answer; "" while it works.
	Reviving device.Step
}

// silent is the listener of a pass that nobody listens to.
type silent struct{}

func (silent) Event(mapfile.Event) {}
func (silent) Progress(Progress)   {}
