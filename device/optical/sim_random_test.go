package optical_test

import (
	"bytes"
	"math/rand/v2"
	"testing"
	"time"

	"turnstone/device/optical"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/unit"
)

// Whatever happens to a drive, in whatever order: what is delivered is what lies on the
// disc that was opened, and at the end the drive has its own settings again.
func TestWhateverHappensNothingWrongIsDelivered(t *testing.T) {
	discs := []*sim.Disc{disc(t), disc(t, `"seed": 4`, `"seed": 5`)}
	images := [][]byte{imageOf(t, whole(t)), imageOf(t, whole(t, `"seed": 4`, `"seed": 5`))}
	sums := map[string]int{}
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(seed, 1))
		in := 0 // which disc lies in the drive
		k := unit.Usual()
		k.NoFUA, k.Descriptor, k.Rounds = rng.IntN(3) == 0, rng.IntN(2) == 0, rng.IntN(3) == 0
		if rng.IntN(3) == 0 {
			k.Flags |= scsi.TB
		}
		m := simulated(t, unit.Pressed(discs[in], 0), k)
		if rng.IntN(2) == 0 {
			m.seq = 0
		}
		m.limit = []int{4, 16, 60, 120}[rng.IntN(4)] * sector.Size
		r, opened := attach(t, m, optical.Options{}), in
		own := r.own(t)
		happen := func() {
			over := sector.Span(sector.LBA(rng.IntN(sectors)), 1+rng.Int64N(40))
			times := 1 + rng.IntN(4)
			switch rng.IntN(12) {
			case 0:
				m.Reset()
			case 1:
				m.PowerCycle()
			case 2, 3:
				in = rng.IntN(2)
				if err := m.Insert(unit.Pressed(discs[in], 0)); err != nil {
					t.Fatal(err)
				}
			case 4:
				m.At(over, times, unit.Drops{})
			case 5:
				m.At(over, times, unit.Ends{Status: scsi.Busy})
			case 6:
				m.On([]scsi.Op{scsi.OpTestUnitReady, scsi.OpRead10, scsi.OpModeSense10, scsi.OpGetConfiguration}[rng.IntN(4)], times,
					unit.Says{Sense: scsi.Sense{Key: scsi.AbortedCommand, ASC: 0x47}})
			case 7:
				m.At(over, 1, unit.Hangs{For: time.Duration(rng.IntN(60)) * time.Second})
			case 8:
				m.Unit.Wait(time.Duration(rng.IntN(10)) * time.Second)
			default:
				c := codes[rng.IntN(len(codes))]
				s := scsi.Sense{Key: c.key, ASC: c.asc[rng.IntN(len(c.asc))], ASCQ: c.ascq[rng.IntN(len(c.ascq))],
					Descriptor: rng.IntN(2) == 0, Deferred: rng.IntN(8) == 0}
				m.At(over, times, unit.Says{Sense: s, Unnamed: rng.IntN(3) == 0})
			}
		}
		for range 200 {
			if rng.IntN(4) == 0 {
				happen()
			}
			if rng.IntN(10) == 0 {
				n := 1 + rng.IntN(4)
				m.before = func(scsi.Command) { // within a request
					if n--; n == 0 {
						m.before = nil
						happen()
					}
				}
			}
			first := rng.Int64N(sectors)
			s := sector.Span(sector.LBA(first), 1+rng.Int64N(min(int64(r.info.MaxSectors), sectors-first)))
			a := r.read(t, s)
			if !bytes.Equal(a.Data, images[opened][s.First.Offset():][:len(a.Data)]) {
				t.Fatalf("seed %d: read %v = %d sectors, %v: other bytes than the disc's", seed, s, a.Good(), a.Err)
			}
			if a.Err == nil {
				sums["all"]++
				continue
			}
			sums[a.Err.Class.String()]++
			if !a.Err.Last() {
				continue
			}
			for n := 0; r.Reopen(t.Context()) != nil; n++ {
				if n > 20 {
					t.Fatalf("seed %d: the drive can't be opened any more", seed)
				}
				m.Unit.Wait(10 * time.Second)
			}
			opened = in
		}
		m.before = nil
		m.Behave()
		m.Unit.Wait(time.Hour)
		if err := r.restore(own); err != nil {
			t.Errorf("seed %d: restore = %v; want nil", seed, err)
		}
		if page, limit, isOwn := m.Settings(); !isOwn {
			t.Errorf("seed %d: %+v, cap %d at the end; want the drive's own", seed, page, limit)
		}
	}
	for _, what := range []string{"all", "medium error", "track lost", "no answer", "disc changed", "input/output error", "request refused"} {
		if sums[what] < 20 {
			t.Errorf("requests ended %v; want 20 of each", sums)
			break
		}
	}
}
