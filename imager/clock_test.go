package imager

import (
	"testing"
	"time"

	"turnstone/device"
)

// The time of a drive that has its own is the case's, and else the wall clock's.
func TestClock(t *testing.T) {
	wall := time.Date(2025, 6, 7, 8, 9, 10, 0, time.UTC)
	c := Clock{Wall: func() time.Time { return wall }}
	if got := c.Now(); !got.Equal(wall) {
		t.Errorf("Now() = %v; want %v", got, wall)
	}
	base := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	c.Follow(stopped{}, base)
	if got, want := c.Now(), base.Add(time.Hour); !got.Equal(want) {
		t.Errorf("Now() = %v after Follow(a drive whose clock shows an hour); want %v", got, want)
	}
}

// stopped is a drive whose clock shows an hour.
type stopped struct{ device.Reader }

func (stopped) Now() time.Duration { return time.Hour }
