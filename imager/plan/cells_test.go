package plan

import (
	"math"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
)

// toy is a field of a small disc whose blocks are asked for at random, with the
// truth being a rate for each cell of the turn, the same in all rings. It tells how
// often each block was asked for.
func toy(t *testing.T, r *rand.Rand, blocks, asks int, truth func(cell int) float64) (*field, []float64) {
	t.Helper()
	f := newField(legsOf(&Disc{Kind: "dvd", Block: 16, Written: sector.Of(sector.Span(0, int64(blocks)*16))}))
	if len(f.rings) < 2 {
		t.Fatal("the toy has no rings")
	}
	f.legs[0].angled = len(levels)
	asked := make([]float64, blocks)
	for range asks {
		b := r.Int64N(int64(blocks))
		asked[b]++
		i := f.ringOf(b)
		loss := 0.0
		from, width := f.arc(i, b)
		for c, share := range underOf(from, width).shares {
			loss += truth(c) * float64(share)
		}
		f.add(i, b)
		if r.Float64() > math.Exp(-loss) {
			f.fail(i, b, false)
		}
	}
	return f, asked
}

// TestUnder: an arc lies over as much as it is wide, over each cell by the share of it
// that lies in the arc, around the turn; sums go by these shares, and so does blame.
func TestUnder(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 500 {
		from, width := r.Float64()*bins, r.Float64()*bins
		var got [bins]float64
		u := underOf(from, width)
		for c, share := range u.shares {
			got[c] += float64(share)
		}
		var rate, blamed cells
		sum, by := 0.0, r.Float32()
		for c := range bins {
			want := 0.0
			for _, turn := range []float64{0, bins} {
				want += max(0, min(from+width, float64(c+1)+turn)-max(from, float64(c)+turn))
			}
			if math.Abs(got[c]-want) > 1e-4 {
				t.Fatalf("an arc of %v from %v lies over %v of cell %d; want %v", width, from, got[c], c, want)
			}
			rate[c] = r.Float32()
			sum += want * float64(rate[c])
		}
		if got, want := float64(u.sum(2, &rate)), 2+sum; math.Abs(got-want) > 1e-4 {
			t.Fatalf("the sum over an arc of %v from %v = %v; want %v", width, from, got, want)
		}
		u.blame(&blamed, &rate, by)
		for c, b := range blamed {
			if want := got[c] * float64(rate[c]*by); math.Abs(float64(b)-want) > 1e-4 {
				t.Fatalf("an arc of %v from %v puts %v down to cell %d; want %v", width, from, b, c, want)
			}
		}
	}
}

// TestEstimateBySums: the windows that slide give what sums over each window by
// itself give.
func TestEstimateBySums(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	f, _ := toy(t, r, 20_000, 6000, func(c int) float64 { return float64(c%7) / 40 })
	for i := 120; i < len(f.rings)-1; i++ { // as if nothing else had been asked for there
		f.rings[i].asked = len(f.rings[i].fails)
	}
	dead := 0
	for _, angled := range []int{0, 2, len(levels)} {
		f.legs[0].angled = angled
		f.top = 0.003
		f.expect()
		g := f.groundsOf(0, len(f.rings)-1)
		f.estimate(g)
		f.blame(0, len(f.rings)-1)
		f.expect()
		f.estimate(g)
		for range 200 {
			i, c := r.IntN(len(f.rings)-1), r.IntN(bins)
			want := f.top
			seen, blamed := 0.0, 0.0
			came := func(j int) bool { return f.rings[j].asked > len(f.rings[j].fails) }
			from, to := i, i+1
			for !came(i) && from > 0 && !came(from-1) {
				from--
			}
			for !came(i) && to < len(f.rings)-1 && !came(to) {
				to++
			}
			near := came(i) || from > 0 && i-from < deadReach || to < len(f.rings)-1 && to-i <= deadReach
			first, last := math.MaxInt, 0
			for j := from; j < to; j++ {
				for k := range bins {
					seen += float64(f.seen[j][k]) / bins
					blamed += float64(f.blamed[j][k]) / bins
				}
				if f.rings[j].asked > 0 {
					first, last = min(first, j), j
				}
			}
			reach := max(deadReach, last-first)
			if !near && first <= last && i >= first-reach && i <= last+reach {
				dead++
				want = (blamed + deadWeight*f.top) / (seen + deadWeight)
			}
			for n, l := range levels {
				seen, blamed, cells := 0.0, 0.0, 0.0
				for j := max(0, i-l.reach); j < min(len(f.rings)-1, i+l.reach+1); j++ {
					for k := range bins {
						if k == c || n < len(levels)-angled {
							seen += float64(f.seen[j][k])
							blamed += float64(f.blamed[j][k])
							if j == i {
								cells++
							}
						}
					}
				}
				seen, blamed = seen/cells, blamed/cells
				want = (blamed + float64(l.weight)*want) / (seen + float64(l.weight))
			}
			if got := float64(f.rate[i][c]); math.Abs(got-want) > 1e-3*want+1e-5 {
				t.Fatalf("angled %d: rate of cell %d of ring %d = %v; want %v", angled, c, i, got, want)
			}
		}
	}
	if dead == 0 {
		t.Errorf("of %d rings none lies in a dead part", len(f.rings)-1)
	}
}

// TestAgainstMaximumLikelihood: where there is much to learn from and little to
// add to it, the chances are those of the maximum likelihood, which is found here
// by brute force: from equal rates, every cell's is moved up and down as long as
// that makes what was seen likelier.
func TestAgainstMaximumLikelihood(t *testing.T) {
	const blocks = 60 // one ring
	r := rand.New(rand.NewPCG(5, 6))
	truth := func(c int) float64 {
		if c >= 20 && c < 23 {
			return 0.5
		}
		return 0.001
	}
	f, asked := toy(t, r, blocks, 6000, truth)
	f.refresh()
	for range 60 {
		f.learn(0)
	}

	failed := make([]float64, blocks)
	var shares [blocks][bins]float64
	for b := range shares {
		from, width := f.arc(f.ringOf(int64(b)), int64(b))
		for c, share := range underOf(from, width).shares {
			shares[b][c] += float64(share)
		}
	}
	for i := range len(f.rings) - 1 {
		for _, b := range f.rings[i].fails {
			failed[b]++
		}
	}
	likelihood := func(rate *[bins]float64) float64 {
		sum := 0.0
		for b := range blocks {
			loss := 1e-9
			for c := range bins {
				loss += rate[c] * shares[b][c]
			}
			sum += -(asked[b]-failed[b])*loss + failed[b]*math.Log(-math.Expm1(-loss))
		}
		return sum
	}
	var rate [bins]float64
	for c := range rate {
		rate[c] = 0.02
	}
	best := likelihood(&rate)
	for step := 0.5; step > 1e-3; {
		moved := false
		for c := range rate {
			for _, d := range []float64{step, -step} {
				was := rate[c]
				rate[c] = max(0, rate[c]+d)
				if v := likelihood(&rate); v > best+1e-9 {
					best, moved = v, true
				} else {
					rate[c] = was
				}
			}
		}
		if !moved {
			step /= 2
		}
	}
	for b := range int64(blocks) {
		want := 0.0
		for c := range bins {
			want += rate[c] * shares[b][c]
		}
		got := f.chance(f.ringOf(b), b)
		if math.Abs(got-math.Exp(-want)) > 0.06 {
			t.Errorf("chance of block %d = %.3f; the maximum likelihood's is %.3f", b, got, math.Exp(-want))
		}
	}
}
