package rawcd

import (
	"encoding/binary"
	"flag"
	"math/rand/v2"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
)

// The campaign is so many trials from one on, of a seed: any part of it can be run by
// itself, and a trial that went wrong once more (-campaign-from N -campaign-sectors 1).
var (
	campaignSeed    = flag.Uint64("campaign-seed", 10_000_000, "of the campaign's sectors and trials")
	campaignFrom    = flag.Uint64("campaign-from", 0, "the first trial")
	campaignSectors = flag.Uint64("campaign-sectors", 0, "how many trials; 0: 12,000, with -whole 10,000,000")
)

// damaged is sectors and what drives may make of them.
type damaged struct {
	r     *rand.Rand
	whole [][]byte // raw sectors of kinds in turn; number i is that of address i
	kinds []cd.Kind
}

func newDamaged(t testing.TB, r *rand.Rand, n int) *damaged {
	d := &damaged{r: r}
	for i := range n {
		s := make([]byte, cd.Size)
		k := []cd.Kind{cd.Mode1, cd.Form1, cd.Form2}[i%3]
		user, err := cd.UserData(s, k)
		if err != nil {
			t.Fatal(err)
		}
		switch i % 5 {
		case 0: // zeros, as much of a disc is
		case 1: // text
			for j := range user {
				user[j] = "The quick brown fox "[j%20] + byte(i)
			}
		default:
			for j := 0; j+8 <= len(user); j += 8 {
				binary.LittleEndian.PutUint64(user[j:], r.Uint64())
			}
		}
		if k != cd.Mode1 {
			copy(s[16:20], []byte{1, 2, 8, 0})
		}
		if err := cd.Encode(s, k, int64(i)); err != nil {
			t.Fatal(err)
		}
		d.whole, d.kinds = append(d.whole, s), append(d.kinds, k)
	}
	return d
}

// reading is one reading of sector i by a drive of some manner.
func (d *damaged) reading(i int) Reading {
	r := d.r
	from := i
	if r.IntN(12) == 0 { // a neighbour, or an old buffer
		from = r.IntN(len(d.whole))
	}
	out := Reading{Data: append([]byte(nil), d.whole[from]...)}
	if r.IntN(4) > 0 {
		out.C2 = make([]byte, device.C2Size)
	}
	spoil := func(at int) {
		if at >= cd.Size {
			return
		}
		out.Data[at] ^= byte(r.Uint32())
		if out.C2 != nil && r.IntN(60) > 0 {
			out.C2[at/8] |= 0x80 >> (at % 8)
		}
	}
	switch r.IntN(6) {
	case 0: // scattered
		for range r.IntN(300) {
			spoil(r.IntN(cd.Size))
		}
	case 1: // a few
		for range r.IntN(12) {
			spoil(r.IntN(cd.Size))
		}
	case 2: // bursts
		for range 1 + r.IntN(3) {
			at := r.IntN(cd.Size)
			for j := range r.IntN(200) {
				spoil(at + j)
			}
		}
	case 3: // frames that C2 gave up: some bytes of every fourth
		at := r.IntN(1200)
		for f := range r.IntN(40) {
			for range r.IntN(8) {
				spoil(at + 24*f + r.IntN(24))
			}
		}
	case 4: // the end of another sector in the place of its own
		// With less of its own behind the header it is that other sector, but for the
		// header, which no code of mode 2 covers.
		at := 32 + r.IntN(cd.Size-32)
		copy(out.Data[at:], d.whole[r.IntN(len(d.whole))][at:])
	case 5: // nearly all
		for range 1000 + r.IntN(1500) {
			spoil(r.IntN(cd.Size))
		}
	}
	if out.C2 != nil {
		switch r.IntN(10) {
		case 0:
			clear(out.C2)
		case 1:
			for j := range out.C2 {
				out.C2[j] = 0xFF
			}
		}
	}
	if r.IntN(10) == 0 {
		_ = cd.Scramble(out.Data)
	}
	out.Mode = byte(r.IntN(3))
	return out
}

// trial is readings of a sector that are fit to be combined, and how many were of another
// address. It depends on nothing but the seed and its number.
func (d *damaged) trial(p *rand.PCG, seed, n uint64) (i int, readings []Reading, elsewhere int64) {
	p.Seed(seed, n)
	i = d.r.IntN(len(d.whole))
	for range 1 + d.r.IntN(4) {
		r := d.reading(i)
		switch u, _ := r.Clean(sector.LBA(i), readings); u {
		case Usable, Scrambled:
			readings = append(readings, r)
		case Elsewhere:
			elsewhere++
		}
	}
	return i, readings, elsewhere
}

// No random damage, no lie of a drive makes a sector that is not the one on the disc.
//
// Two things may pass all the same. Something wrong passes an EDC once in 2³²: with the few
// candidates of a sector that get as far as that, in ten million sectors about once in a
// hundred runs. And on mode 2 a reading of another sector deceives that is wrong, unnoticed,
// in its header alone, which by accident has the address asked for (vouch.go): by the shares
// that reading deals out about once in fifty. Before a header was believed only as far as
// its reading is right elsewhere, it was one sector in some millions: see
// TestHeaderThatDeceives.
//
// Seen, of ten million sectors each: seed 10,000,000 none; seed 4,000,000 one, trial
// 3,691,256, by the EDC. Of a sector of form 2, which has no parity to hold against it, two
// bytes were wrong 128 bytes apart (90h and 65h), which is a code word of the EDC. Since then
// readings must uphold a sector of form 2 (vouch.go), and that trial gives nothing: see
// TestVoteThatTheEDCTakes. Of the second seed four million were run again with that rule,
// that trial among them, none wrong; the rest was not.
func TestNothingWrongIsAccepted(t *testing.T) {
	times := *campaignSectors
	switch {
	case times > 0:
	case *whole:
		times = 10_000_000
	default:
		times = 12_000
	}
	seed, first := *campaignSeed, *campaignFrom
	const block = 1000 // trials that a worker takes at a time
	var taken, tried, proven, wrong, elsewhere atomic.Int64
	var group sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			p := rand.NewPCG(seed, 1<<63)
			d := newDamaged(t, rand.New(p), 300)
			var c Combiner
			for {
				from := uint64(taken.Add(block) - block)
				if from >= times {
					return
				}
				for n := first + from; n < first+min(from+block, times); n++ {
					i, readings, others := d.trial(p, seed, n)
					elsewhere.Add(others)
					tried.Add(1)
					out := c.Combine(sector.LBA(i), readings)
					if out.Sector == nil {
						continue
					}
					proven.Add(1)
					want, err := cd.UserData(d.whole[i], d.kinds[i])
					if err != nil || out.Kind != d.kinds[i] || string(out.User()) != string(want) || !out.Proven {
						wrong.Add(1)
						t.Errorf("trial %d of seed %d: sector %d (%v) came out wrong as %v, proven: %v", n, seed, i, d.kinds[i], out.Kind, out.Proven)
					}
				}
				if k := tried.Load(); k%1_000_000 < block {
					t.Logf("%d sectors so far, %d proven, %d of them wrong", k, proven.Load(), wrong.Load())
				}
			}
		})
	}
	group.Wait()
	t.Logf("seed %d, %d sectors from %d on: %d proven, %d of them wrong; %d readings were of another address",
		seed, tried.Load(), first, proven.Load(), wrong.Load(), elsewhere.Load())
	if proven.Load() < tried.Load()/10 {
		t.Errorf("%d of %d sectors were proven; want a tenth at least, or the test says little", proven.Load(), tried.Load())
	}
}
