package sim

import (
	"math"
	"testing"
)

// near tells whether two numbers agree within so much of one.
func near(got, want, within float64) bool {
	return math.Abs(got-want) <= within*math.Max(1, math.Abs(want))
}

// Package math is the other program here: its functions are written apart from
// ours, in assembly on some machines.
func TestFunctionsAgreeWithPackageMath(t *testing.T) {
	const steps = 20_000
	for i := range steps + 1 {
		f := float64(i) / steps
		x := -700 + f*720
		if got, want := exp(x), math.Exp(x); math.Abs(got-want) > 4e-16*want {
			t.Fatalf("exp(%v) = %v; want %v", x, got, want)
		}
		x = math.Ldexp(1+f, i%80-40)
		if got, want := log(x), math.Log(x); !near(got, want, 4e-16) {
			t.Fatalf("log(%v) = %v; want %v", x, got, want)
		}
		sin, cos := sincos(f)
		if ws, wc := math.Sincos(2 * math.Pi * f); !near(sin, ws, 2e-15) || !near(cos, wc, 2e-15) {
			t.Fatalf("sincos(%v turns) = %v, %v; want %v, %v", f, sin, cos, ws, wc)
		}
		x = f * 20
		if got, want := atan(x), math.Atan(x); !near(got, want, 4e-16) {
			t.Fatalf("atan(%v) = %v; want %v", x, got, want)
		}
		x = -8.25 + f*16.5
		if got, want := chance(x), math.Erfc(-x/math.Sqrt2)/2; math.Abs(got-want) > min(2e-15, 1e-8*want) {
			t.Fatalf("chance(%v) = %v; want %v", x, got, want)
		}
	}
	if got := exp(-1000); got != 0 {
		t.Errorf("exp(-1000) = %v; want 0", got)
	}
	for _, z := range []float64{-never - 1e-9, math.Inf(-1)} {
		if lo, hi := chance(z), chance(-z); lo != 0 || hi != 1 {
			t.Errorf("chance(±%v) = %v, %v; want 0, 1", z, lo, hi)
		}
	}
}

// The smallest uniform number is what never stands for.
func TestNeverIsBeyondTheDraws(t *testing.T) {
	if p := math.Erfc(never/math.Sqrt2) / 2; p >= 1.0/(1<<53) {
		t.Errorf("a draw below -never has a chance of %v; want less than 2^-53", p)
	}
}

func TestCoverAgreesWithCounting(t *testing.T) {
	const n = 1000
	for _, u := range []float64{-1.5, -1, -0.9, -0.3, 0, 0.25, 0.7, 0.999, 1, 3} {
		in, all := 0, 0
		for i := range n {
			for j := range n {
				x, y := (float64(i)+0.5)*2/n-1, (float64(j)+0.5)*2/n-1
				if x*x+y*y < 1 {
					all++
					if x < u {
						in++
					}
				}
			}
		}
		want := float64(in) / float64(all)
		if got := cover(u); !near(got, want, 5e-4) {
			t.Errorf("cover(%v) = %v; want %v", u, got, want)
		}
	}
}

func TestLensAgreesWithCounting(t *testing.T) {
	const n = 500
	for _, q := range []float64{0.1, 0.25, 0.7, 2} {
		for _, d := range []float64{0, 0.1, 0.2, 0.3, 0.45, 0.6, 1.8, 2, 2.24, 3} {
			const r = 0.25
			in, all := 0, 0
			for i := range n {
				for j := range n {
					x, y := ((float64(i)+0.5)*2/n-1)*r, ((float64(j)+0.5)*2/n-1)*r
					if x*x+y*y < r*r {
						all++
						if math.Hypot(x-d, y) < q {
							in++
						}
					}
				}
			}
			want := float64(in) / float64(all)
			if got := lens(d, r, q); !near(got, want, 1e-3) {
				t.Errorf("lens(%v, %v, %v) = %v; want %v", d, r, q, got, want)
			}
		}
	}
}
