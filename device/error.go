package device

import (
	"errors"
	"fmt"

	"turnstone/device/sector"
)

// Errors of the Reader itself, not of the disc.
var (
	// ErrFull is returned when as many requests wait as the drive takes.
	ErrFull = errors.New("device: too many requests wait")
	// ErrIdle is returned when an answer is wanted and no request waits.
	ErrIdle = errors.New("device: no request waits")
	// ErrClosed is returned when the drive was closed, stalled or went away.
	ErrClosed = errors.New("device: not open")
	// ErrUnsupported is returned when a drive lacks what is asked of it.
	ErrUnsupported = errors.New("device: the drive does not support this")
)

// Class is what kind of thing went wrong with a request.
type Class uint8

const (
	// Medium: the drive says that the disc does not give these sectors up. It
	// stands without further proof.
	Medium Class = iota + 1
	// Doubtful: the request failed in a way that a bad sector and a drive on its
	// way out both show (EIO). It stands once the same opened drive has delivered
	// another sector after it.
	Doubtful
	// Track: the drive lost the track there (SPC: sense key 3 with ASC 02h, 09h,
	// 15h). Like Medium, but dear, and a stall may follow.
	Track
	// Stalled: no answer came within the time allowed. The Reader is closed for
	// requests until it is reopened.
	Stalled
	// Gone: the drive or its disc is no longer there. The Reader is closed.
	Gone
	// Changed: another disc may lie in the drive. The Reader is closed.
	Changed
	// Refused: the drive does not take the request (SPC: illegal request), or
	// the program made a mistake. It says nothing about the disc.
	Refused
)

var classWords = [...]string{
	Medium: "medium error", Doubtful: "input/output error", Track: "track lost",
	Stalled: "no answer", Gone: "drive gone", Changed: "disc changed", Refused: "request refused",
}

// String is the class in words.
func (c Class) String() string {
	if int(c) < len(classWords) && classWords[c] != "" {
		return classWords[c]
	}
	return fmt.Sprintf("class %d", uint8(c))
}

// Sense is what an optical drive answered (SPC, sense data): sense key,
// additional sense code and its qualifier. The zero value means none was given.
type Sense struct{ Key, ASC, ASCQ uint8 }

// String is the sense in the trade's form, "3/11/05".
func (s Sense) String() string { return fmt.Sprintf("%X/%02X/%02X", s.Key, s.ASC, s.ASCQ) }

// ReadError says what was asked, of which drive, what came back, and where the
// disc failed as far as the drive tells.
type ReadError struct {
	Drive string       // name of the drive
	Asked sector.Range // what the command that failed asked for; empty where that was no read
	Class Class
	// At is the first sector that failed where the drive named a valid one, else
	// -1. Sectors of Asked before it that are not in Answer.Data count as not
	// asked.
	At    sector.LBA
	Sense Sense  // zero where the drive gave none
	Text  string // what came back, in words ("ENODATA: critical medium error")
	Err   error  // the cause where there is one, for errors.Is
}

// Error is one line: what was asked, of whom, and what came back.
func (e *ReadError) Error() string {
	s := fmt.Sprintf("read %v of %s: %v", e.Asked, e.Drive, e.Class)
	if e.Asked.Empty() {
		s = fmt.Sprintf("%s: %v", e.Drive, e.Class)
	}
	if e.At >= 0 {
		s += fmt.Sprintf(" at sector %d", e.At)
	}
	if e.Sense != (Sense{}) {
		s += " " + e.Sense.String()
	}
	if e.Text != "" {
		s += ": " + e.Text
	}
	return s
}

// Unwrap is the cause.
func (e *ReadError) Unwrap() error { return e.Err }

// Last tells whether the Reader is closed for requests after the error.
func (e *ReadError) Last() bool {
	return e.Class == Stalled || e.Class == Gone || e.Class == Changed
}

// OpenError says why a drive can't be used, and what the user can do.
type OpenError struct {
	Node   string
	What   string // lower case, no period: "no permission to read it"
	Cure   string // one sentence that says what to do; "" where nothing helps
	NoDisc bool   // the drive is there and holds no disc
	Err    error  // the cause where there is one
}

// Error is the node and what is wrong with it. The cure is apart, for whoever
// shows it.
func (e *OpenError) Error() string { return e.Node + ": " + e.What }

// Unwrap is the cause.
func (e *OpenError) Unwrap() error { return e.Err }
