package plan

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestStanding: what moving is worth is what sums over all blocks give, with half of
// those of the half octaves that the two rates lie in.
func TestStanding(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	half := func(v float64) int {
		fraction, exponent := math.Frexp(v) // 0.5 ≤ fraction < 1
		return 2*exponent + int(4*fraction) - 2
	}
	for range 50 {
		type block struct{ gain, cost float64 }
		var x standing
		var all []block
		for range r.IntN(300) {
			b := block{r.Float64(), math.Exp(r.Float64()*8 - 6)}
			all = append(all, b)
			x.add(b.gain, b.cost)
		}
		x.sum()
		for range 50 {
			v, price := math.Exp(r.Float64()*10-4), math.Exp(r.Float64()*10-4)
			below, between := 0.0, 0.0
			for _, b := range all {
				h := half(b.gain / b.cost)
				switch {
				case h < half(v):
					below += b.gain
				case h == half(v):
					below += b.gain / 2
				}
				for _, end := range [...]struct{ rate, sign float64 }{{price, 1}, {v, -1}} {
					switch {
					case h < half(end.rate):
						between += end.sign * b.cost
					case h == half(end.rate):
						between += end.sign * b.cost / 2
					}
				}
			}
			want := price
			if v < price && between > 0 {
				want = min(price, below/between)
			}
			if got := x.back(v, price); math.Abs(got-want) > 1e-6*want {
				t.Fatalf("back(%v, %v) of %d blocks = %v; want %v", v, price, len(all), got, want)
			}
		}
	}
}
