package imager

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

const propertySectors = 1200

// someStations are cases of one disc, each with its own holes and, where odd is
// set, a few sectors with bytes of its own. The choice is invented.
func someStations(t *testing.T, rnd *rand.Rand, n int, odd bool) []*station {
	t.Helper()
	var all []*station
	for i := range n {
		var missing []sector.Range
		for range 1 + rnd.IntN(4) {
			first := sector.LBA(rnd.IntN(propertySectors))
			missing = append(missing, span(first, 1+rnd.Int64N(250)).Intersect(span(0, propertySectors)))
		}
		var own []sector.LBA
		for range 3 {
			if odd { // few sectors, so that they meet
				own = append(own, sector.LBA(7*rnd.IntN(12)))
			}
		}
		all = append(all, newStation(t, string(rune('a'+i)), propertySectors, missing, own))
	}
	return all
}

// Any order of merges, and any repetition, ends with the same image and states
// where nothing differs, and with the same conflicting sectors where something
// does. What was good before keeps its bytes.
func TestAnyOrderOfMerges(t *testing.T) {
	for seed := range uint64(8) {
		odd := seed%2 == 1
		t.Run(fmt.Sprintf("seed=%d/conflicts=%v", seed, odd), func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 5))
			all := someStations(t, rnd, 4, odd)
			var first *station
			for order := range 3 {
				s := all[0].duplicate(t, 1)
				before, good := bytes.Clone(s.image), goodOf(s.c.m)
				others := []int{1, 2, 3}
				rnd.Shuffle(len(others), func(i, j int) { others[i], others[j] = others[j], others[i] })
				for range order { // repetitions
					others = append(others, 1+rnd.IntN(3))
				}
				for _, o := range others {
					s.merge(t, all[o])
				}
				for r := range good.Runs() {
					if at, n := r.First.Offset(), r.Bytes(); !bytes.Equal(s.image[at:at+n], before[at:at+n]) {
						t.Fatalf("order %v changed bytes that were good, within %v", others, r)
					}
				}
				if first == nil {
					first = s
					continue
				}
				if got, want := told(s.c.m), told(first.c.m); got != want {
					t.Errorf("order %v: %s; want %s", others, got, want)
				}
				disputed := s.c.m.InConflict()
				if odd == disputed.Empty() {
					t.Errorf("conflicts %v; want some: %v", disputed, odd)
				}
				for a := range sector.LBA(propertySectors) {
					at := a.Offset()
					if !disputed.Contains(a) && !bytes.Equal(s.image[at:at+sector.Size], first.image[at:at+sector.Size]) {
						t.Fatalf("order %v: sector %d is another", others, a)
					}
				}
			}
		})
	}
}

// Cases that take over from each other at random, in rings too, all come to the
// same states and the same sectors in conflict, and then bring nothing new.
func TestRingsOfMerges(t *testing.T) {
	for seed := range uint64(6) {
		rnd := rand.New(rand.NewPCG(seed, 6))
		all := someStations(t, rnd, 3, seed%2 == 1)
		for range 6 {
			into := rnd.IntN(3)
			all[into].merge(t, all[(into+1+rnd.IntN(2))%3])
		}
		for range 2 { // twice around the ring
			for i := range all {
				all[(i+1)%3].merge(t, all[i])
			}
		}
		want := told(all[0].c.m)
		for i, s := range all {
			if got := told(s.c.m); got != want {
				t.Errorf("seed %d, case %d: %s; want %s", seed, i, got, want)
			}
			passes := len(s.c.m.Passes())
			res := s.merge(t, all[(i+1)%3], all[(i+2)%3])
			for _, from := range res.From {
				if from.Won+from.Conflicts != 0 || len(s.c.m.Passes()) != passes {
					t.Errorf("seed %d, case %d: one more merge brings %+v; want nothing", seed, i, from)
				}
			}
		}
	}
}

// A copy of a case may be merged into it: what both have is nobody's news, and a
// pass that the copy made on its own is told from the case's own.
func TestMergeOfCopy(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 7))
	all := someStations(t, rnd, 2, false)
	s := all[0]
	copied := s.duplicate(t, 1)
	if from := s.merge(t, copied).From[0]; from.Won != 0 || len(from.Passes) != 0 {
		t.Errorf("a copy brings %+v; want nothing", from)
	}
	// What the case lost, its copy gives back, as what its own pass brought.
	s.c.m.Rot(firstGood(s.c.m))
	if from := s.merge(t, copied).From[0]; from.Won != 1 {
		t.Errorf("a copy brings %+v; want the one lost sector", from)
	}
	if o := s.c.m.Passes()[1].Origin; o.Case != "a" || o.Pass != 0 {
		t.Errorf("origin %+v; want the case's own pass 0", o)
	}
	copied.merge(t, all[1])
	if _, err := copied.c.m.AddPass(mapfile.Pass{Drive: 0, Started: epochTime}); err != nil {
		t.Fatal(err)
	}
	if o := copied.sourceOf(t).origin(2, s.c.m); o.Case != "a (a copy)" || o.Pass != 2 {
		t.Errorf("origin of a pass that only the copy has = %+v; want that of a copy", o)
	}
}

// sourceOf is the station's case as it is in memory.
func (s *station) sourceOf(t *testing.T) *Source {
	src := s.source(t)
	src.m = s.c.m
	return src
}

func firstGood(m *mapfile.Map) sector.LBA {
	good := goodOf(m)
	return good.Bounds().First
}
