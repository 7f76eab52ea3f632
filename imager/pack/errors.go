package pack

import "errors"

// Errors of reading. They come with what was found.
var (
	// ErrForeign is returned when the file is no pass file.
	ErrForeign = errors.New("not a pass file")
	// ErrNewer is returned when a newer version of the program wrote it.
	ErrNewer = errors.New("the pass file is of a newer version of the program")
	// ErrCut is returned where the file ends before its end.
	ErrCut = errors.New("the pass file was cut short")
	// ErrDamaged is returned where the file contradicts itself.
	ErrDamaged = errors.New("the pass file is damaged")
	// ErrTooLarge is returned when the file says that it holds more than any disc's has.
	ErrTooLarge = errors.New("the pass file holds more than a disc can have")
)
