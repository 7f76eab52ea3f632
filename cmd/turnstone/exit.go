package main

import (
	"errors"
	"fmt"

	"turnstone/device"
	"turnstone/imager"
	"turnstone/mapfile"
)

// Exit codes, the same for all commands. Where several fit, 5 goes before 4, 4
// before 1, 1 before 3.
const (
	exitDone    = 0 // done, and nothing is missing
	exitFailed  = 1 // the command failed
	exitUsage   = 2 // it was called wrongly
	exitMissing = 3 // done, but sectors are missing
	exitDrive   = 4 // the drive stalled, vanished or holds another disc (or none)
	exitCheck   = 5 // conflict or failed check
)

const exitHelp = `Exit codes: 0 done and nothing missing; 1 failed; 2 wrong usage; 3 done, but
sectors are missing; 4 the drive stalled, vanished or holds another disc (or
none), the case is intact; 5 conflict or failed check.
`

// usageError is a command that was called wrongly.
type usageError struct{ text string }

func (e usageError) Error() string { return e.text }

func usagef(format string, args ...any) error { return usageError{fmt.Sprintf(format, args...)} }

// codeError is an exit code with nothing more to say: the command has said it.
type codeError int

func (c codeError) Error() string { return fmt.Sprintf("exit code %d", int(c)) }

// report tells the user of an error, if there is something to tell, and returns
// the exit code.
func report(err error, s streams) int {
	var code codeError
	if err == nil {
		return exitDone
	}
	if errors.As(err, &code) {
		return int(code)
	}
	if errors.Is(err, imager.ErrCracked) {
		fmt.Fprintln(s.Err, "Recorded as cracked: not to be spun, it can burst in the drive. "+
			"Nothing was read. What is left is what was read before, and a laboratory.")
		return exitFailed
	}
	fmt.Fprintf(s.Err, "turnstone: %v\n", err)
	if hint := cure(err); hint != "" {
		fmt.Fprintf(s.Err, "%s\n", hint)
	}
	return codeOf(err)
}

// codeOf is the exit code of an error.
func codeOf(err error) int {
	var (
		usage usageError
		open  *device.OpenError
		read  *device.ReadError
	)
	is := func(targets ...error) bool {
		for _, t := range targets {
			if errors.Is(err, t) {
				return true
			}
		}
		return false
	}
	switch {
	case errors.As(err, &usage):
		return exitUsage
	case is(imager.ErrImage, mapfile.ErrDamaged, mapfile.ErrEmpty, mapfile.ErrForeign):
		return exitCheck
	case is(imager.ErrOtherDisc, imager.ErrUnproven):
		return exitDrive
	case errors.As(err, &open) && open.NoDisc:
		return exitDrive
	case errors.As(err, &read) && read.Last():
		return exitDrive
	case is(imager.ErrRange):
		return exitUsage
	}
	return exitFailed
}

// cure is what the user can do about an error, in a sentence; "" where the error
// says it already.
func cure(err error) string {
	var open *device.OpenError
	switch {
	case errors.As(err, &open):
		return open.Cure
	case errors.Is(err, imager.ErrOtherDisc):
		return "One disc, one case: read this one into a new folder. Nothing was written."
	case errors.Is(err, imager.ErrUnproven):
		return "Nothing was written. Clean the disc and try again; if you know that it is this case's disc, say --same-disc."
	case errors.Is(err, mapfile.ErrNewer):
		return "A newer version of this program wrote it. Use that version; nothing was changed."
	case errors.Is(err, mapfile.ErrDamaged), errors.Is(err, mapfile.ErrEmpty):
		return "Nothing was changed. The image beside it is as it was; without its map nobody knows which sectors of it are good."
	}
	return ""
}
