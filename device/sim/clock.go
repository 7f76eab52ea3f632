package sim

import (
	"math"
	"slices"
	"time"

	"turnstone/device/sector"
	"turnstone/ecc/cd"
)

// mechanism is spindle, sled and clock of a drive.
//
// The disc turns at an even rate for each speed, so that the data rate grows with
// the radius:
//
//	rate = X · 1.385 MB/s · r/58 mm
type mechanism struct {
	disc *Disc
	*gears
	now time.Duration

	rung    int   // of the ladder
	fastest int   // rung of the fastest speed that the drive has
	limit   int   // rung that the program allows
	smooth  int64 // bytes since the last failure or step

	head  sector.LBA // the next sector to come
	layer int        // that the head looks at
}

// gears are the speeds of drives for one kind of disc.
type gears struct {
	ladder []int   // multiples of 1x, fastest first
	unit   float64 // bytes a second at 1x
	sector float64 // bytes of a sector, as the unit counts them
}

var (
	dvdGears = &gears{dvdLadder, dvdUnit, sector.Size}
	cdGears  = &gears{cdLadder, cdUnit, cd.Size}
)

// gears are those for the scenario's disc.
func (s *Scenario) gears() *gears {
	if s.CD() {
		return cdGears
	}
	return dvdGears
}

// rungOf is the place of a speed on the ladder, −1 where it has none.
func (g *gears) rungOf(x int) int { return slices.Index(g.ladder, x) }

// under is the fastest rung that does not exceed a cap in 1000 bytes a second;
// the slowest where all do.
func (g *gears) under(kBps int) int {
	for i, x := range g.ladder {
		if float64(x)*g.unit <= float64(kBps)*1000 {
			return i
		}
	}
	return len(g.ladder) - 1
}

func newMechanism(d *Disc, spec *DriveSpec, start time.Duration) mechanism {
	r := spec.gears.rungOf(spec.MaxX)
	return mechanism{disc: d, gears: spec.gears, now: start, rung: r, fastest: r}
}

// x is the speed as a multiple of 1x.
func (m *mechanism) x() int { return m.ladder[m.rung] }

// capTo lowers the speed to a rung at most, from now on.
func (m *mechanism) capTo(rung int) {
	m.limit = rung
	m.rung = max(m.rung, rung)
}

// slowest tells whether the drive reads at 2x.
func (m *mechanism) slowest() bool { return m.rung == len(m.ladder)-1 }

// slowness is how far down the ladder the drive reads: from 0 to 1 at the slowest.
func (m *mechanism) slowness() float64 { return float64(m.rung) / float64(len(m.ladder)-1) }

// turn is the seconds of one turn of the disc.
func (m *mechanism) turn() float64 {
	bytes := 2 * math.Pi * rateRadius / m.disc.scenario.shape.Sector * m.sector
	return bytes / (float64(m.x()) * m.unit)
}

// transfer is the seconds in which n sectors from a on pass under the head, n
// being few enough that the radius stays the same.
func (m *mechanism) transfer(a sector.LBA, n int64) float64 {
	rate := float64(m.x()) * m.unit * (m.disc.radius(a) / rateRadius)
	return float64(n) * m.sector / rate
}

// approach is the seconds until the head stands at a, and puts it there.
func (m *mechanism) approach(a sector.LBA) float64 {
	from, was := m.head, m.layer
	m.head, m.layer = a, m.disc.layer(a)
	far := math.Abs(m.disc.radius(a) - m.disc.radius(from))
	move := moveBase + float64(moveFar*math.Sqrt(far/moveSpan)) + float64(m.turn()/2)
	switch gap := int64(a - from); {
	case m.layer != was:
		return move
	case gap == 0:
		return 0
	case 0 < gap && gap <= passOver*blockSectors:
		return min(move, m.transfer(from, gap))
	}
	return move
}

// passed puts the head behind n sectors that have come.
func (m *mechanism) passed(n int64) {
	if n > 0 {
		m.head += sector.LBA(n)
		m.layer = m.disc.layer(m.head - 1)
	}
}

// spend moves the clock on.
func (m *mechanism) spend(seconds float64) {
	m.now += time.Duration(math.Round(seconds * float64(time.Second)))
}

// failed steps the speed down.
func (m *mechanism) failed() {
	m.rung = min(m.rung+1, len(m.ladder)-1)
	m.smooth = 0
}

// went counts n sectors that came without failure, and steps the speed up when
// they are enough.
func (m *mechanism) went(n int64) {
	if m.smooth += n * sector.Size; m.smooth >= climb {
		m.smooth = 0
		m.rung = max(m.rung-1, m.fastest, m.limit)
	}
}

// radius is where a sector begins, in mm.
func (d *Disc) radius(a sector.LBA) float64 { return d.track.At(float64(a)).Radius }

// layer is the layer of a sector, the last one for those behind the disc's end.
func (d *Disc) layer(a sector.LBA) int {
	for i := range d.track.Layers() {
		if d.track.Layer(i).Contains(a) {
			return i
		}
	}
	return d.track.Layers() - 1
}
