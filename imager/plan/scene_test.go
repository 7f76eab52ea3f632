package plan

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
)

// scene is an invented disc with a case that knows some of it.
type scene struct {
	task  Task
	drive *drive
}

// newScene draws a scene: block and request sizes, gaps in the written area that
// keep to no block, sectors that are good already, damage. One in four has more
// blocks than there are stretches, unless small ones are wanted.
func newScene(r *rand.Rand, small, stalls bool) scene {
	block := []int64{1, 4, 16}[r.IntN(3)]
	n := 1 + r.Int64N(block*40)
	if !small && r.IntN(4) == 0 {
		n = 300*block + r.Int64N(300*block)
	}
	written := sector.Of(sector.Range{First: 0, End: sector.LBA(n)})
	var good sector.Set
	for range r.IntN(4) {
		written.Remove(sector.Span(sector.LBA(r.Int64N(n)), r.Int64N(3*block)))
		good.Add(sector.Span(sector.LBA(r.Int64N(n)), r.Int64N(5*block)))
		good.Add(sector.Span(sector.LBA(r.Int64N(n)), 1))
	}
	if r.IntN(3) == 0 {
		good = mostlyGood(r, n, block)
	}
	stall := 0.0
	if stalls {
		stall = 0.05
	}
	s := scene{drive: newDrive(r, n, block, r.Float64()*0.5, r.Float64()*0.5, stall)}
	s.task = Task{Disc: Disc{Written: written, Block: block, Largest: block << r.IntN(5), WholeBlocks: r.IntN(3) == 0}, Good: good}
	if r.IntN(4) == 0 {
		s.task.Only = sector.Of(sector.Span(sector.LBA(r.Int64N(n)), n/2), sector.Span(sector.LBA(r.Int64N(n)), 7))
	}
	return s
}

// byPlace makes every second scene one whose geometry is known.
func (s *scene) byPlace(r *rand.Rand) {
	if r.IntN(2) == 0 {
		s.task.Disc.Kind, s.task.ToTheEnd = []string{"dvd", "cd", "bd"}[r.IntN(3)], true
	}
}

// mostlyGood is a case after some rounds: what is missing is single sectors, and
// now and then a few together or a whole block.
func mostlyGood(r *rand.Rand, n, block int64) sector.Set {
	good := sector.Of(sector.Span(0, n))
	for b := int64(0); b < n; b += block {
		switch r.IntN(6) {
		case 0:
			good.Remove(sector.Span(sector.LBA(b), block))
		case 1:
			good.Remove(sector.Span(sector.LBA(b+r.Int64N(block)), 2))
		case 2, 3, 4:
			good.Remove(sector.Span(sector.LBA(b+r.Int64N(block)), 1))
		}
	}
	return good
}

func (s scene) String() string {
	d := s.task.Disc
	return fmt.Sprintf("kind %q, %d sectors, block %d, largest %d, whole %v, lead %v, address %v",
		d.Kind, len(s.drive.hard), d.Block, d.Largest, d.WholeBlocks, s.drive.lead, s.drive.address)
}

// scenes runs f on many scenes.
func scenes(t *testing.T, count int, small, stalls bool, f func(t *testing.T, r *rand.Rand, s scene)) {
	for seed := range uint64(count) {
		r := rand.New(rand.NewPCG(seed, 11))
		s := newScene(r, small, stalls)
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
			defer func() {
				if t.Failed() {
					t.Log(s)
				}
			}()
			f(t, r, s)
		})
	}
}
