package mapfile

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

func TestTimeClass(t *testing.T) {
	for _, test := range []struct {
		d    time.Duration
		want TimeClass
	}{
		{-time.Hour, 0}, {0, 0}, {999, 0}, {time.Microsecond, 1}, {2*time.Microsecond - 1, 8}, {2 * time.Microsecond, 9},
		{1024 * time.Microsecond, 81}, {1 << 20 * time.Microsecond, 161}, {3611 * time.Second, 254}, {3612 * time.Second, 255},
		{math.MaxInt64, 255},
	} {
		if got := ClassOf(test.d); got != test.want {
			t.Errorf("ClassOf(%v) = %d; want %d", test.d, got, test.want)
		}
	}
	for c := range 256 {
		if got := ClassOf(TimeClass(c).Duration()); got != TimeClass(c) {
			t.Errorf("ClassOf(%v) = %d; want %d", TimeClass(c).Duration(), got, c)
		}
		if c > 0 && TimeClass(c).Duration() <= TimeClass(c-1).Duration() {
			t.Errorf("class %d is %v, after %v", c, TimeClass(c).Duration(), TimeClass(c-1).Duration())
		}
	}
	for k, got := range eighths {
		if want := uint64(math.Round(math.Exp2(float64(k)/8) * 65536)); got != want {
			t.Errorf("eighths[%d] = %d; want %d", k, got, want)
		}
	}
}

// TestTimeClassError holds the promise of how coarse a class is, and that no
// longer time has a lower class.
func TestTimeClassError(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 20_000 {
		d := time.Duration(float64(time.Microsecond) * math.Exp2(rng.Float64()*31.7))
		got := ClassOf(d).Duration()
		if off := math.Abs(float64(got-d)) / float64(d); off > 0.05 {
			t.Fatalf("ClassOf(%v).Duration() = %v, off by %.3f; want at most 0.05", d, got, off)
		}
		if longer := d + time.Duration(rng.Int64N(int64(d))); ClassOf(longer) < ClassOf(d) {
			t.Fatalf("ClassOf(%v) = %d, ClassOf(%v) = %d", longer, ClassOf(longer), d, ClassOf(d))
		}
	}
}
