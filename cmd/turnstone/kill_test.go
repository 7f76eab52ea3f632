package main

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

var (
	kills    = flag.Int("kills", 20, "how often the program is killed at a random moment")
	killSeed = flag.Uint64("killseed", 0, "seed of these moments; 0: another one each time")
)

// Killed at random moments the program never lies and never loses what it said it
// had: after each kill the map and the image are held against the disc, and what
// was asked for against what was good. In the end the image is the disc.
func TestKilledAtRandomMoments(t *testing.T) {
	t.Parallel()
	const lanes = 2
	seed := *killSeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	t.Logf("-killseed %d", seed)
	for lane := range lanes {
		t.Run(fmt.Sprint(lane), func(t *testing.T) {
			t.Parallel()
			killing(t, rand.New(rand.NewPCG(seed, uint64(lane))), (*kills+lanes-1)/lanes)
		})
	}
}

func killing(t *testing.T, random *rand.Rand, times int) {
	// A checkpoint is due every 64 MiB: a disc of three of them.
	const n = 3 * (64 << 20) / sector.Size
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: random.Uint64()})
	for range 20 {
		w.disc.Fail(sector.Span(sector.LBA(random.Int64N(n-20)), 1+random.Int64N(20)), syscall.ENODATA, faultydisc.Always)
	}
	// The moments lie in this span. It follows the machine: down to what a pass
	// takes, and up while the kills come before the first checkpoint.
	span := time.Second
	kept := 0
	for done := 0; done < times; {
		before, began := w.good.Count(), time.Now()
		r := w.start()
		time.Sleep(time.Duration(random.Int64N(int64(span)))) // the moment; nothing waits for it
		killed := r.kill()
		w.judge(r.wait())
		if !killed { // it had ended by itself: from the beginning, with a new case
			span = min(span, time.Since(began))
			w.truthful()
			w.dir, w.good = filepath.Join(t.TempDir(), "case"), sector.Set{}
			continue
		}
		done++
		if w.good.Count() > before {
			kept++
		} else {
			span += span / 8
		}
		if w.exists() {
			turnstone(t, "check", "--deep", w.dir).is(exitDone)
		}
	}
	w.read().is(exitMissing)
	w.truthful()
	w.disc.Heal()
	w.read("--again").is(exitDone)
	w.whole()
	t.Logf("killed %d times within %v, %d of them after a checkpoint", times, span, kept)
}
