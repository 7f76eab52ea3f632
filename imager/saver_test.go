package imager

import (
	"testing"
	"time"
)

// TestDue: near the end of a part of a pass a checkpoint is not begun for its size, which
// the one that ends the part would follow at once; for its time it is.
func TestDue(t *testing.T) {
	now := time.Unix(1_000, 0)
	for _, c := range []struct {
		ending bool
		bytes  int64
		since  time.Duration
		want   bool
	}{
		{false, 100, time.Second, true}, {true, 100, time.Second, false}, {true, 100, 5 * time.Second, true},
		{false, 99, time.Second, false}, {false, 99, 5 * time.Second, true},
	} {
		s := saver{rhythm: rhythm{5 * time.Second, 100}, last: now.Add(-c.since), ending: c.ending, putOff: true}
		if got := s.due(now, &epoch{bytes: c.bytes}); got != c.want {
			t.Errorf("due of %d of 100 bytes, %v after the last, ending %v = %v; want %v", c.bytes, c.since, c.ending, got, c.want)
		}
	}
}
