package sim

import (
	"math"
	"testing"
)

// Pinned: a change of these changes every scenario's failures.
func TestStreamsStayTheSame(t *testing.T) {
	for _, test := range []struct {
		got, want uint64
	}{
		{newStream(forNoise).bits(0), 0x64684c4f0fd784b4},
		{newStream(forNoise, 1, 2, 3).bits(0), 0xf8a31cecfd7450ca},
		{newStream(forNoise, 1, 2, 3).bits(1), 0x4361c086509dea5a},
		{newStream(forLoss, 1, 2, 3).bits(0), 0xebf0f3d709f33922},
		{newStream(forNoise, 1, 3, 2).bits(0), 0x29507335142b1543},
		{named("A"), 0xaf63fc4c860222ec},
	} {
		if test.got != test.want {
			t.Errorf("a number of a stream = %#x; want %#x", test.got, test.want)
		}
	}
}

func TestUniformIsUniform(t *testing.T) {
	const n, cells = 200_000, 100
	// Along a stream, and number 0 of neighbouring streams.
	along := func(i uint64) float64 { return newStream(forNoise, 7).uniform(i) }
	across := func(i uint64) float64 { return newStream(forNoise, 7, i, 0).uniform(0) }
	for name, draw := range map[string]func(uint64) float64{"along": along, "across": across} {
		var count [cells]float64
		product, before := 0.0, 0.5
		for i := range uint64(n) {
			u := draw(i)
			if !(0 < u && u < 1) {
				t.Fatalf("%s: uniform(%d) = %v; want a number between 0 and 1", name, i, u)
			}
			count[int(u*cells)]++
			product += (u - 0.5) * (before - 0.5)
			before = u
		}
		chi := 0.0
		for _, c := range count {
			chi += (c - n/cells) * (c - n/cells) / (n / cells)
		}
		// 99 degrees of freedom: 99 ± 14; the numbers are always the same.
		if chi > 99+4*14 {
			t.Errorf("%s: chi squared of %d cells = %.1f; want about 99", name, cells, chi)
		}
		// The products have a variance of 1/144.
		if r := product * 12 / math.Sqrt(n); math.Abs(r) > 4 {
			t.Errorf("%s: neighbours go together by %.1f standard deviations; want about 0", name, r)
		}
	}
}

func TestNormalIsNormal(t *testing.T) {
	const n = 100_000
	var sum, squares, below float64
	for i := range uint64(n) {
		g := newStream(forWear, i).normal(0)
		sum += g
		squares += g * g
		if g < -1 {
			below++
		}
	}
	if mean := sum / n; math.Abs(mean) > 4/math.Sqrt(n) {
		t.Errorf("mean = %v; want 0", mean)
	}
	if v := squares / n; math.Abs(v-1) > 4*math.Sqrt(2.0/n) {
		t.Errorf("variance = %v; want 1", v)
	}
	if share := below / n; math.Abs(share-0.15866) > 0.005 {
		t.Errorf("share below -1 = %v; want 0.159", share)
	}
}
