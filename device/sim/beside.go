package sim

import (
	"fmt"
	"math"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// What a drive does and tells beside reading. A drive at command level (package unit)
// needs it.

// Rest lets time pass in which the drive reads nothing. Its head stays where it is,
// and speeds neither rise nor fall.
func (v *Drive) Rest(d time.Duration) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.m.now += max(d, 0)
}

// Seek moves the head to a sector without reading it, in the time of that move.
// device.ErrClosed is returned where Ask would return it; another error says that
// there is no such sector.
func (v *Drive) Seek(a sector.LBA) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.closed || v.needs != "" {
		return device.ErrClosed
	}
	if a < 0 || int64(a) >= v.info.Sectors {
		return fmt.Errorf("sector %d is not on a disc of %d sectors", a, v.info.Sectors)
	}
	v.m.capTo(v.fastest())
	v.m.spend(v.m.approach(a))
	return nil
}

// KBps is the fastest speed that the drive goes under a cap, at the radius by which
// drives are sold: both in 1000 bytes a second, the cap 0 where there is none.
func (s DriveSpec) KBps(limit int) int {
	g := s.gears
	rung := g.rungOf(s.MaxX)
	if limit > 0 {
		rung = max(rung, g.under(limit))
	}
	return g.kBps(rung)
}

// kBps is the speed of a rung, in 1000 bytes a second.
func (g *gears) kBps(rung int) int { return int(math.Round(float64(g.ladder[rung]) * g.unit / 1000)) }

// Speeds are those that the drive has, as KBps counts them, the fastest first.
func (s DriveSpec) Speeds() (all []int) {
	for rung := s.gears.rungOf(s.MaxX); rung < len(s.gears.ladder); rung++ {
		all = append(all, s.gears.kBps(rung))
	}
	return all
}

// Rate is how fast a sector passes under the head of a drive that turns evenly at
// such a speed.
func (d *Disc) Rate(a sector.LBA, kBps int) int {
	return int(math.Round(float64(kBps) * (d.radius(a) / rateRadius)))
}
