package sim

import (
	"math"

	"turnstone/ecc/circ"
)

// What light a drive gets from a CD's frames. Frames see one noise draw in groups, and
// the light is taken in the middle of each group. A sector's bytes lie in its own 98
// frames and the Reach behind them:
//
//	sector    98·a        98·a+97          98·a+97+Reach
//	            ├────────────┼─────────────────────┤   frames
//	groups   ├───┼───┼───┼───┼───┼───┼───┼───┼───┼───┤
const (
	groupFrames = 4 // frames that share light and a noise draw; invented
	blindGroups = 5 // groups running under the servo's margin at which the track is lost; invented
	cdFrames    = circ.SectorFrames + circ.Reach
	cdGroups    = (cdFrames+groupFrames-1)/groupFrames + 1
)

// groupsOf is the first group of a sector's frames, and where in it they begin.
func groupsOf(a int64) (first int64, skip int) {
	f := a * circ.SectorFrames
	return f / groupFrames, int(f % groupFrames)
}

// cdOutlook is what a drive makes of each sector of a CD.
type cdOutlook struct {
	drive *Drive
	key   uint64
	fate  []fate
	tries []uint32

	// The light of groups that was worked out last.
	light [256]float64
	group [256]int64

	attempt cdAttempt
}

func newCDOutlook(v *Drive, pass uint32) *cdOutlook {
	n := v.disc.scenario.Sectors
	key := newStream(forDrive, edition, v.disc.scenario.Seed, named(v.spec.Name), uint64(v.round), uint64(pass))
	o := &cdOutlook{drive: v, key: uint64(key), fate: make([]fate, n), tries: make([]uint32, n)}
	for i := range o.group {
		o.group[i] = -1
	}
	o.attempt.init(v.disc)
	return o
}

// lightOf is the light of a group of frames.
func (o *cdOutlook) lightOf(group int64) float64 {
	i := group % int64(len(o.light))
	if o.group[i] == group {
		return o.light[i]
	}
	d, g := o.drive.disc, o.drive.ground
	at := (float64(group) + 0.5) * groupFrames / circ.SectorFrames
	p := d.track.At(math.Min(at, float64(d.scenario.Sectors)-0.001))
	s := spot{r: p.Radius, angle: p.Angle()}
	sin, cos := sincos(s.angle)
	s.x, s.y = s.r*cos, s.r*sin
	haze, off := g.at(s)
	t := g.surface.passes(&s, d.beam(p, off), off)
	if haze > 0 {
		t *= exp(-haze)
	}
	o.light[i], o.group[i] = t, group
	return t
}

// look finds out about a sector.
func (o *cdOutlook) look(a int64) fate {
	if o.fate[a] != unknown {
		return o.fate[a]
	}
	spec := &o.drive.spec
	first, _ := groupsOf(a)
	dark, f := 0, certain
	for g := range int64(cdGroups) {
		t := o.lightOf(first + g)
		if t >= spec.Servo {
			dark = 0
		} else if dark++; dark == blindGroups {
			f = lost
			break
		}
		if chance((spec.Margin-t)/spec.Noise) > 0 {
			f = unsure
		}
	}
	o.fate[a] = f
	return f
}

// allLost tells whether the drive loses the track everywhere.
func (o *cdOutlook) allLost() bool {
	const apart = 16
	for first := range int64(apart) {
		for a := first; a < int64(len(o.fate)); a += apart {
			if o.look(a) != lost {
				return false
			}
		}
	}
	return true
}

// draws is the stream of a purpose for the next attempt on a sector.
func (o *cdOutlook) draws(purpose uint64, a int64) stream {
	return newStream(purpose, o.key, uint64(a), uint64(o.tries[a]))
}

// lostFrames tells which of a sector's frames are lost in the next attempt.
func (o *cdOutlook) lostFrames(a int64, lost *[cdFrames]bool) (any bool) {
	spec := &o.drive.spec
	margin := spec.Margin - slowRelief*o.drive.m.slowness()
	noise := o.draws(forNoise, a)
	first, skip := groupsOf(a)
	for f := range lost {
		g := first + int64((f+skip)/groupFrames)
		if (f+skip)%groupFrames == 0 || f == 0 {
			p := chance((margin - o.lightOf(g)) / spec.Noise)
			lost[f] = p > 0 && noise.uniform(uint64(g-first)) < p
		} else {
			lost[f] = lost[f-1]
		}
		any = any || lost[f]
	}
	return any
}
