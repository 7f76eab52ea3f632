package imager

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"turnstone/device"
	"turnstone/mapfile"
)

// control keeps the drive at the settings that each request is to be read by, and
// gives the settings of a pass their numbers.
type control struct {
	setter device.Setter // nil: the drive can't be told anything
	slower device.Slower // nil: it can't be told to read slowly, or does not heed it
	user   mapfile.Settings
	all    []mapfile.Settings // of the pass, by number; 0 is the drive's own
	not    []uint8            // read retry counts that the drive has turned out not to take
	told   mapfile.Settings   // what the drive was set to last
	slow   int                // kB/s that it reads at since it was told to read slowly; 0: it was not
	now    uint8              // number of what is in force by both
	known  bool               // that it is: after a stall nobody knows
}

func newControl(r device.Reader, user mapfile.Settings) control {
	s, _ := r.(device.Setter)
	slower, _ := r.(device.Slower)
	return control{setter: s, slower: slower, user: user, all: []mapfile.Settings{{}}, known: true}
}

// use sees to it that the next request is read by what the plan wants, slowly or not, or
// by what the user says instead, and returns the number of the settings that are then in
// force. What the plan wants is a wish: a drive that does not take it (some say so only
// when they are told) reads by what it has. What the user says is not: the error says
// then that the drive does not take it.
func (c *control) use(ctx context.Context, want mapfile.Settings, slow bool) (uint8, error) {
	if err := c.goSlow(ctx, slow && c.user.SpeedKBps == 0); err != nil {
		return c.now, err
	}
	if err := c.tell(ctx, want); err != nil {
		return c.now, err
	}
	now := c.told
	if c.slow > 0 {
		now.SpeedKBps = c.slow
	}
	c.now, c.known = c.number(now), true
	return c.now, nil
}

// goSlow has the drive read slowly, or as before. After a stall it is told once more: it
// may have had a reset, or none. An error is that of a drive that stalls or is gone.
func (c *control) goSlow(ctx context.Context, slow bool) error {
	if c.slower == nil || slow == (c.slow > 0) && (c.known || !slow) {
		return nil
	}
	kBps, err := c.slower.Slow(ctx, slow)
	if _, lost := errors.AsType[*device.ReadError](err); lost {
		return err
	}
	if err != nil { // no more than a wish
		c.slower = nil
	}
	switch {
	case err == nil && slow:
		c.slow = kBps
	case err == nil || slow: // a drive that can't be told otherwise stays slow
		c.slow = 0
	}
	return nil
}

// tell sets the drive to what is wanted, or to what the user says instead, where it is
// set to something else.
func (c *control) tell(ctx context.Context, want mapfile.Settings) error {
	if c.user.Retries != nil {
		want.Retries = c.user.Retries
	}
	if u := c.user.SpeedKBps; u > 0 && (want.SpeedKBps == 0 || u < want.SpeedKBps) {
		want.SpeedKBps = u
	}
	if n := want.Retries; n != nil && slices.Contains(c.not, *n) {
		want = c.told
	}
	switch {
	case c.known && sameSettings(want, c.told):
		return nil
	case want == mapfile.Settings{}:
	case c.setter == nil && c.byUser():
		return fmt.Errorf("%w: it can't be told %s", device.ErrUnsupported, settingsInWords(want))
	case c.setter == nil:
		return nil
	default:
		if err := c.setter.Set(ctx, device.Settings(want)); err != nil {
			n := want.Retries
			if !errors.Is(err, device.ErrUnsupported) || n == nil || c.user.Retries != nil || slices.Contains(c.not, *n) {
				return err
			}
			c.not = append(c.not, *n)
			return c.tell(ctx, c.told)
		}
	}
	c.told = want
	return nil
}

// accepts tells whether the drive takes the read retry count that the plan wants first.
// From one that does not nothing of the kind is wanted: the plan would take failures
// for those of other settings, and ask once more.
func (c *control) accepts(ctx context.Context, want mapfile.Settings) bool {
	c.use(ctx, want, false) // what else is in the way shows at the first request
	return want.Retries == nil || !slices.Contains(c.not, *want.Retries)
}

// byUser tells whether the user said anything.
func (c *control) byUser() bool { return c.user != (mapfile.Settings{}) }

// number is the number of settings, new ones among them. A plan knows a handful; of
// more than a pass can tell apart all count as the last.
func (c *control) number(s mapfile.Settings) uint8 {
	i := slices.IndexFunc(c.all, func(known mapfile.Settings) bool { return sameSettings(known, s) })
	if i < 0 && len(c.all) <= math.MaxUint8 {
		c.all = append(c.all, s)
	}
	if i < 0 {
		i = len(c.all) - 1
	}
	return uint8(i)
}

func sameSettings(a, b mapfile.Settings) bool {
	if (a.Retries == nil) != (b.Retries == nil) || a.SpeedKBps != b.SpeedKBps {
		return false
	}
	return a.Retries == nil || *a.Retries == *b.Retries
}

// forget is called when the drive may have its own settings again.
func (c *control) forget() { c.known = false }

func settingsInWords(s mapfile.Settings) string {
	switch {
	case s.Retries != nil && s.SpeedKBps > 0:
		return fmt.Sprintf("a read retry count of %d and a speed of %d kB/s", *s.Retries, s.SpeedKBps)
	case s.Retries != nil:
		return fmt.Sprintf("a read retry count of %d", *s.Retries)
	}
	return fmt.Sprintf("a speed of %d kB/s", s.SpeedKBps)
}

// takes tells whether the drive takes what the user says, before a pass begins.
// ErrSettings is returned where it does not.
func (c *control) takes(ctx context.Context) error {
	_, err := c.use(ctx, mapfile.Settings{}, false)
	if errors.Is(err, device.ErrUnsupported) {
		return fmt.Errorf("%w: %w", ErrSettings, err)
	}
	return err
}
