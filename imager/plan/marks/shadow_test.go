package marks

import (
	"math/rand/v2"
	"slices"
	"testing"

	"turnstone/device/sector"
)

// box is cells on a disc: of some rings, from one on.
type box struct{ first, rings, from, wide int }

func (b box) runs() (all []run) {
	for ring := b.first; ring < b.first+b.rings; ring++ {
		all = append(all, run{ring, b.from, b.from + b.wide})
	}
	return all
}

// TestShed: a narrow patch goes where larger ones lie under all of its blocks but for a few,
// and those count with the larger ones; else it stays.
func TestShed(t *testing.T) {
	large := box{1000, 20, 40, 40}
	g, _ := disc(t)
	for _, x := range []struct {
		name   string
		small  box
		over   int // of its blocks, that pass over the large patch
		beside int // that don't
		fresh  bool
		goes   bool
	}{
		{"narrow, all over the large one", box{1005, 3, 30, 4}, 20, 0, false, true},
		{"narrow, within the large one", box{1005, 3, 50, 4}, 20, 0, false, true},
		{"narrow, a few beside the large one", box{1005, 3, 30, 4}, 12, leastBlocks - 1, false, true},
		{"narrow, enough beside the large one", box{1005, 3, 30, 4}, 12, leastBlocks, false, false},
		{"narrow, at other radii", box{1025, 3, 50, 4}, 0, 20, false, false},
		{"wide", box{1005, 3, 10, 40}, 20, 0, false, false},
		{"narrow, new", box{1005, 3, 30, 4}, 20, 0, true, false},
	} {
		// Blocks of the small one's rings by whether they pass over the large one.
		var sides [2][]int
		for k := range g.leg.blocks {
			a, b := g.leg.turn(float64(k)), g.leg.turn(float64(k+1))
			ring := int(a / ringTurns)
			if ring < x.small.first || ring >= x.small.first+x.small.rings {
				continue
			}
			from := fraction(a - float64(large.from)/angles) // from the large one's edge on
			over := ring < large.first+large.rings && (from < float64(large.wide-1)/angles || from+b-a > 1+1./angles)
			free := from > float64(large.wide+1)/angles && from+b-a < 1-1./angles
			if over {
				sides[0] = append(sides[0], k)
			} else if free || ring >= large.first+large.rings {
				sides[1] = append(sides[1], k)
			}
		}
		if len(sides[0]) < x.over || len(sides[1]) < x.beside {
			t.Fatalf("%s: %d blocks over the large one and %d beside it; want %d and %d", x.name, len(sides[0]), len(sides[1]), x.over, x.beside)
		}
		owns := slices.Concat(sides[0][:x.over], sides[1][:x.beside])
		slices.Sort(owns)
		patches := []patch{
			{runs: x.small.runs(), owns: owns, fresh: x.fresh},
			{runs: large.runs(), owns: ints(100)},
		}
		kept, rest := g.shed(patches)
		if goes := len(kept) == 1; goes != x.goes {
			t.Errorf("%s: goes %v; want %v", x.name, goes, x.goes)
			continue
		}
		last := kept[len(kept)-1].owns
		if !x.goes {
			if len(rest) != 0 || len(last) != 100 || len(kept[0].owns) != len(owns) {
				t.Errorf("%s: stays, with %d blocks of %d, %d of the large one's 100 and a rest of %d", x.name, len(kept[0].owns), len(owns), len(last), len(rest))
			}
			continue
		}
		if len(last) != 100+x.over || !slices.IsSorted(last) || !slices.Equal(rest, sides[1][:x.beside]) {
			t.Errorf("%s: the large one has %d blocks, the rest is %v; want %d in order, and %v", x.name, len(last), rest, 100+x.over, sides[1][:x.beside])
		}
	}
}

// ints are so many numbers from 0 on.
func ints(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// TestShedOfLuck: fewer pieces of a mark that one block in twenty passes by luck are taken for
// marks, and no block that one explained is lost.
func TestShedOfLuck(t *testing.T) {
	g, s := disc(t, drawn{36.3, 37.1, 34, 20, 0})
	rng := rand.New(rand.NewPCG(8, 27))
	for k := range g.leg.blocks {
		if s.state[k] == failed && rng.Float64() < .05 {
			s.Come(sector.Span(sector.LBA(k*16), 16))
		}
	}
	g = gridOf(g.leg, s, bursts["dvd"])
	found, _ := g.find(s)
	whole := g.whole(found, s)
	owned := func(all []patch) (n int) {
		for _, p := range all {
			n += len(p.owns)
		}
		return n
	}
	before := owned(whole)
	kept, rest := g.shed(whole)
	t.Logf("%d patches, %d when whole, %d when shed; %d blocks, the rest is %d", len(found), len(whole), len(kept), before, len(rest))
	if len(kept) >= len(whole) {
		t.Errorf("%d marks of %d are left; want fewer", len(kept), len(whole))
	}
	if got := owned(kept) + len(rest); got != before {
		t.Errorf("%d blocks are explained or the rest; want the %d that were explained", got, before)
	}
}
