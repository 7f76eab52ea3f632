package mapfile

import (
	"fmt"
	"slices"
	"time"
)

// How a case was ended.
const (
	Closed     = "closed"     // its work is done; image and files are kept for a while
	Discarding = "discarding" // the customer's data is being deleted: what is left of it does not count
	Discarded  = "discarded"  // the customer's data is deleted; what the map tells are figures
)

var closingStates = []string{"", Closed, Discarding, Discarded}

// Closing is how and when a case was ended. The zero value is that of an open one.
type Closing struct {
	State     string    `json:"state,omitempty"` // Closed, Discarding, Discarded; "" while it is open
	At        time.Time `json:"at,omitzero"`
	By        string    `json:"by,omitempty"`
	KeepUntil string    `json:"keep_until,omitempty"` // the last day that the data is kept: 2006-01-02; "" where none was said
}

// Gone tells whether the customer's data is deleted, or was begun to be.
func (c Closing) Gone() bool { return c.State == Discarding || c.State == Discarded }

// Closing is how the case was ended, if it was.
func (m *Map) Closing() Closing { return m.closing }

// SetClosing changes how the case was ended. ErrInvalid is returned for a state that
// there is not, a day that is none, and for anything but Discarded once the data is
// deleted.
func (m *Map) SetClosing(c Closing) error {
	if !slices.Contains(closingStates, c.State) {
		return fmt.Errorf("a case that is %.40q: %w", c.State, ErrInvalid)
	}
	if c.KeepUntil != "" {
		if _, err := time.Parse(time.DateOnly, c.KeepUntil); err != nil {
			return fmt.Errorf("a case kept until %.40q: %w", c.KeepUntil, ErrInvalid)
		}
	}
	if was := m.closing.State; was == Discarded && c.State != Discarded || was == Discarding && !c.Gone() {
		return fmt.Errorf("a case that is %s, %q again: %w", was, c.State, ErrInvalid)
	}
	m.closing = c
	m.pending.closing = true
	return nil
}
