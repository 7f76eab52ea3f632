package main

import (
	"errors"
	"fmt"
	"io/fs"
	"syscall"

	"turnstone/device"
	"turnstone/imager"
	"turnstone/imager/pack"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
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
		tell(s.Err, "Recorded as cracked: not to be spun, it can burst in the drive. "+
			"Nothing was read. What is left is what was read before, and a laboratory.\n")
		return exitFailed
	}
	tell(s.Err, "turnstone: %v\n", err)
	if hint := cure(err); hint != "" {
		tell(s.Err, "%s\n", hint)
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
	case is(imager.ErrConflict, imager.ErrImage, pack.ErrForeign, pack.ErrDamaged, pack.ErrCut, pack.ErrTooLarge, mapfile.ErrDamaged, mapfile.ErrEmpty, mapfile.ErrForeign):
		return exitCheck
	case is(imager.ErrOtherDisc, imager.ErrUnproven):
		return exitDrive
	case errors.As(err, &open) && open.NoDisc:
		return exitDrive
	case errors.As(err, &read) && read.Last():
		return exitDrive
	case is(imager.ErrRange, imager.ErrSameCase, imager.ErrSettings, imager.ErrNoTray, imager.ErrNoPlaces, imager.ErrOwnFile):
		return exitUsage
	}
	return exitFailed
}

const wholeImageBack = "Nothing was changed. Put the whole image back in its place, if there is one; " +
	"without it, turnstone check --deep takes back what lay beyond its end, so that it is read anew."

// cure is what the user can do about an error, in a sentence; "" where the error
// says it already.
func cure(err error) string {
	var (
		open    *device.OpenError
		refused *imager.RefusedError
		turns   chart.Undecided
		named   chart.Misnamed
	)
	switch {
	case errors.As(err, &open):
		return open.Cure
	case errors.Is(err, imager.ErrDiscarded):
		return discardedNote(err)
	case errors.Is(err, imager.ErrNoPlaces):
		return "--kind says what disc it is: cd, dvd or bd."
	case errors.Is(err, imager.ErrOwnFile):
		return "Name the drive, or another image."
	case errors.As(err, &refused):
		return ""
	case errors.Is(err, imager.ErrOtherDisc):
		return "One disc, one case: read this one into a new folder. Nothing was written."
	case errors.Is(err, imager.ErrUnproven):
		return "Nothing was written. Try again, for another block is asked for then, or clean the disc first; if you know that it is this case's disc, say --same-disc."
	case errors.Is(err, pack.ErrCut), errors.Is(err, pack.ErrDamaged):
		return "Nothing was written. Get it once more from the station that packed it."
	case errors.Is(err, pack.ErrForeign):
		return "Nothing was written. turnstone pack makes pass files; a raw image goes in with turnstone merge CASE --image FILE --good RANGE."
	case errors.Is(err, pack.ErrTooLarge):
		return "Nothing was written. No disc is like that: who made this file?"
	case errors.Is(err, pack.ErrNewer):
		return "Nothing was written. A newer version of this program packed it: use that version."
	case errors.Is(err, mapfile.ErrNewer):
		return "A newer version of this program wrote it. Use that version; nothing was changed."
	case errors.Is(err, mapfile.ErrDamaged), errors.Is(err, mapfile.ErrEmpty):
		return "Nothing was changed. The image beside it is as it was; without its map nobody knows which sectors of it are good."
	case errors.Is(err, mapfile.ErrForeign):
		return "Nothing was changed. Some other program's file has the map's name: put the map back, or begin a new case in a new folder."
	case errors.Is(err, imager.ErrRotten):
		return "Nothing was changed. Take back what does not match, so that it is read anew: turnstone check --deep"
	case errors.Is(err, imager.ErrShort):
		return wholeImageBack
	case errors.Is(err, imager.ErrImage):
		return "Nothing was changed. Put the image that belongs to this map back in its place; without it, begin a new case."
	case errors.Is(err, imager.ErrInUse):
		return "Wait until it has ended, or end it there with Ctrl-C; turnstone status works meanwhile."
	case errors.Is(err, imager.ErrNoCase):
		return "Name a case's folder; turnstone read makes a new one."
	case errors.Is(err, mapfile.ErrBusy):
		return "Something reads the case's map all the time. End it, and try again."
	case errors.Is(err, chart.ErrNoFit), errors.As(err, &turns):
		return `Nothing was kept. What helps most: name a mark by its number on the map, as in --seen "mark 3 9:30".`
	case errors.As(err, &named), errors.Is(err, imager.ErrOtherLayer):
		return "Nothing was kept. turnstone chart lists the marks with their numbers, as the map stands now."
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return "Make room on that disk first."
	case errors.Is(err, imager.ErrRoom):
		return "Make room on that disk, or name a folder on another one."
	case errors.Is(err, syscall.EROFS):
		return "Nothing can be written there. Put the case on a disk that can be written to, or mount it so."
	case errors.Is(err, fs.ErrPermission):
		return "Cases are for their owner only: work as the one who made it, or name a folder of your own."
	}
	return ""
}
