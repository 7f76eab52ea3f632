package mapfile

import "errors"

// Errors that a file can give. They come wrapped, with the path and what was
// found.
var (
	// ErrEmpty is returned when the file has no bytes: it is what is left of a
	// map, not a new one.
	ErrEmpty = errors.New("the map is empty")

	// ErrForeign is returned when the file is not a map: no database at all, or
	// a database of another program.
	ErrForeign = errors.New("not a map of this program")

	// ErrNewer is returned when the file's form is newer than this program: for
	// a newer major version by Open, Check and Events, for a newer minor version
	// by Commit.
	ErrNewer = errors.New("the map is of a newer version of the program")

	// ErrDamaged is returned when the file contradicts itself: cut short, bits
	// changed, values missing.
	ErrDamaged = errors.New("the map is damaged")

	// ErrBusy is returned when others held the file longer than was waited for.
	// Nothing is lost: try again.
	ErrBusy = errors.New("the map is in use by another process")

	// ErrTooLarge is returned when values that were carried would make a map that
	// takes more memory than it may.
	ErrTooLarge = errors.New("the map is larger than there is room for")

	// ErrChanged is returned by Commit when the file is not the one that the map
	// was loaded from or last committed to.
	ErrChanged = errors.New("the map's file was changed by someone else")
)

// Errors that a change to a map can give. Nothing is changed then.
var (
	// ErrShrinks is returned when a known size is to become smaller.
	ErrShrinks = errors.New("a disc's known size never shrinks")

	// ErrLoses is returned when a written area is to lose good sectors.
	ErrLoses = errors.New("the written area would lose good sectors")

	// ErrOutside is returned when sectors lie outside the disc.
	ErrOutside = errors.New("outside the disc")

	// ErrUnknown is returned when a round, drive, pass or setting is named that
	// the map does not have.
	ErrUnknown = errors.New("not in the map")

	// ErrInvalid is returned when a record can't be right as it is.
	ErrInvalid = errors.New("not valid")

	// ErrBare is returned when a map that was opened to be looked at is to be changed.
	ErrBare = errors.New("the map was opened without the sectors' checksums, to be looked at only")

	// ErrFull is returned when the map can't number another pass.
	ErrFull = errors.New("the map holds as many passes as it can")
)
