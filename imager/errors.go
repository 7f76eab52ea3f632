package imager

import (
	"errors"
	"fmt"

	"turnstone/device/sector"
)

// Errors of opening a case.
var (
	// ErrNoCase is returned when there is no case in the folder: no such folder,
	// or one without a map.
	ErrNoCase = errors.New("not a case")
	// ErrNotEmpty is returned when a new case is wanted in a folder that holds
	// something else.
	ErrNotEmpty = errors.New("the folder holds something else than a case")
	// ErrInUse is returned (wrapped in an *InUseError) when another process
	// writes into the case.
	ErrInUse = errors.New("case in use")
	// ErrImage is returned when the image does not fit the map: it is missing, of
	// another length, or its bytes do not match their checksums.
	ErrImage = errors.New("image and map disagree")
	// ErrShort is returned when the image is shorter than the map says; it is an
	// ErrImage.
	ErrShort = fmt.Errorf("%w", ErrImage)
	// ErrRotten is returned, beside ErrImage, when the image's bytes do not match
	// their checksums.
	ErrRotten = fmt.Errorf("%w: bytes that were not written so", ErrImage)
	// ErrOtherDisc is returned when the drive holds another disc than the case.
	ErrOtherDisc = errors.New("another disc")
	// ErrUnproven is returned when it can't be shown that the drive holds the
	// case's disc.
	ErrUnproven = errors.New("not shown to be the same disc")
	// ErrTarget is returned when the place of the case can't hold the image.
	ErrTarget = errors.New("the case's disk can't hold the image")
	// ErrSameCase is returned when a case is to be merged into itself.
	ErrSameCase = errors.New("the same case")
	// ErrConflict is returned beside the error of a command that failed on the
	// case's side, where sectors are in conflict.
	ErrConflict = errors.New("sectors in conflict")
	// ErrRange is returned when sectors outside the disc are asked for.
	ErrRange = errors.New("outside the disc")
	// ErrSettings is returned when the drive can't honour what the user says that it
	// is to be read by.
	ErrSettings = errors.New("the drive does not take it")
)

// besideConflicts is a failure of the case's side with an ErrConflict beside it
// where sectors are in conflict; nil stays nil.
func (c *Case) besideConflicts(err error) error {
	disputed := c.m.InConflict()
	if err == nil || disputed.Empty() || errors.Is(err, ErrConflict) {
		return err
	}
	return errors.Join(err, fmt.Errorf("%w: %d", ErrConflict, disputed.Count()))
}

// InUseError names the process that writes into a case.
type InUseError struct {
	Dir     string
	PID     int    // 0 where it is not known
	Command string // the command line of that process
}

// Error names the case and who uses it.
func (e *InUseError) Error() string {
	if e.PID == 0 {
		return fmt.Sprintf("%s: in use by another process", e.Dir)
	}
	return fmt.Sprintf("%s: in use by process %d (%s)", e.Dir, e.PID, e.Command)
}

// Unwrap is ErrInUse.
func (e *InUseError) Unwrap() error { return ErrInUse }

// OtherDiscError shows both discs.
type OtherDiscError struct {
	Case, Drive string       // the two discs in words
	Block       sector.Range // the block that was compared; empty where none was
}

// Error shows both identities.
func (e *OtherDiscError) Error() string {
	s := fmt.Sprintf("another disc: the case holds %s, the drive %s", e.Case, e.Drive)
	if !e.Block.Empty() {
		s += fmt.Sprintf("; the sectors %v differ", e.Block)
	}
	return s
}

// Unwrap is ErrOtherDisc.
func (e *OtherDiscError) Unwrap() error { return ErrOtherDisc }
