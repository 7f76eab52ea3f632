package imager

import (
	"errors"
	"fmt"
	"time"

	"turnstone/mapfile"
)

// Errors of what was ended.
var (
	// ErrDiscarded is returned (wrapped in a *DiscardedError) when the customer's data
	// of a case is wanted that is deleted.
	ErrDiscarded = errors.New("the case is discarded")
)

// DiscardedError names a case whose image and files are deleted.
type DiscardedError struct {
	Dir     string
	Closing mapfile.Closing
}

// Error names the case, and says since when.
func (e *DiscardedError) Error() string {
	at := e.Closing.At.Local().Format(time.DateOnly)
	if e.Closing.State == mapfile.Discarding {
		return fmt.Sprintf("%s: its discarding was begun on %s and not finished; what is left of its data does not count", e.Dir, at)
	}
	return fmt.Sprintf("%s: discarded on %s; its image and files are deleted", e.Dir, at)
}

// Unwrap is ErrDiscarded.
func (e *DiscardedError) Unwrap() error { return ErrDiscarded }

// discarded is a *DiscardedError where the data of the case in dir is deleted.
func discarded(dir string, m *mapfile.Map) error {
	if c := m.Closing(); c.Gone() {
		return &DiscardedError{Dir: dir, Closing: c}
	}
	return nil
}

// CloseCase notes that the case's work is done, and until the end of which day its
// data is kept (2006-01-02). What was noted before is replaced.
func (c *Case) CloseCase(keepUntil, by string) error {
	now := mapfile.Closing{State: mapfile.Closed, At: c.now(), By: by, KeepUntil: keepUntil}
	if err := c.m.SetClosing(now); err != nil {
		return err
	}
	c.m.AddEvent(mapfile.Event{Time: now.At, Pass: -1, Kind: KindClosed, Text: "kept until " + keepUntil})
	return c.saveRecords()
}

// reopen opens a closed case again, for it is worked on. It goes with the next
// commit.
func (c *Case) reopen() (mapfile.Event, bool) {
	was := c.m.Closing()
	if was.State != mapfile.Closed || c.m.SetClosing(mapfile.Closing{}) != nil {
		return mapfile.Event{}, false
	}
	e := mapfile.Event{Time: c.now(), Pass: -1, Kind: KindOpenAgain,
		Text: fmt.Sprintf("worked on again; it was closed on %s", was.At.Local().Format(time.DateOnly))}
	c.m.AddEvent(e)
	return e, true
}
