package mapfile

import (
	"fmt"
	"time"
	"unicode/utf8"
)

// Watched is that somebody has watched what there is of the films, so that they are not
// handed over by figures alone. The last time counts.
type Watched struct {
	At   time.Time `json:"at"`
	Yes  bool      `json:"yes"` // they can be handed over so
	By   string    `json:"by,omitempty"`
	Good int64     `json:"good"` // sectors that were good then
}

// Watched is whether somebody has watched the films; nil where nobody said so.
func (m *Map) Watched() *Watched {
	if m.watched == nil {
		return nil
	}
	w := *m.watched
	return &w
}

// SetWatched notes that somebody has. ErrInvalid is returned for a name that is no UTF-8
// or too long, and for a number of sectors that can't be.
func (m *Map) SetWatched(w Watched) error {
	if len(w.By) > maxNameText || !utf8.ValidString(w.By) || w.Good < 0 {
		return fmt.Errorf("watched by %.40q, %d sectors good: %w", w.By, w.Good, ErrInvalid)
	}
	m.watched = &w
	m.pending.watched = true
	return nil
}
