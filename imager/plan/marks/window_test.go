package marks

import (
	"math"
	"testing"

	"turnstone/device/spiral"
)

// marked is a leg of a layer, and sights of it: marks that keep to their angles where
// turns hold more blocks by a share, blocks at random, and places not asked for.
func marked(t *testing.T, sectors int64, share float64) (leg, []uint8) {
	t.Helper()
	nominal, err := spiral.Nominal("dvd", true, sectors)
	if err != nil {
		t.Fatal(err)
	}
	l := legsOf(nominal, 16)[0]
	true_ := l.stretched(stretch{share, share})
	seen := make([]uint8, l.blocks)
	x := uint32(7)
	for k := range seen {
		x = x*1664525 + 1013904223
		turn := true_.turn(float64(k) + .5)
		angle := turn - math.Floor(turn)
		seen[k] = came
		switch n := int(turn) / 900; {
		case n%7 == 3 && k%5 > 0: // not asked for
			seen[k] = unseen
		case math.Abs(math.Remainder(angle-float64(n*n%11)/11, 1)) < .1 && n%3 > 0, x>>24 < 12:
			seen[k] = failed
		}
	}
	return l, seen
}

// slowPower is a window's power by its formula, at a share d. The means are those of the
// same turns as the pieces'.
func slowPower(l leg, seen []uint8, from, turns, d float64) float64 {
	type patch struct{ came, failed float64 }
	means := map[int]patch{}
	each := func(do func(turn float64, v uint8)) {
		for k, v := range seen {
			if turn := l.turn(float64(k) + .5); v != unseen && turn >= from && turn < from+turns {
				do(turn, v)
			}
		}
	}
	each(func(turn float64, v uint8) {
		p := means[int(turn/meanTurns)]
		if v == failed {
			p.failed++
		} else {
			p.came++
		}
		means[int(turn/meanTurns)] = p
	})
	sum, spread := [len(harmonics)]complex128{}, 0.0
	each(func(turn float64, v uint8) {
		p := means[int(turn/meanTurns)]
		y := -p.failed / (p.failed + p.came)
		if v == failed {
			y++
		}
		spread += y * y
		for h := range harmonics {
			// The middle of the window stays where it is.
			im, re := math.Sincos(2 * math.Pi * float64(h+1) * (turn - d*(turn-from-turns/2)))
			sum[h] += complex(y*re, y*im)
		}
	})
	power := 0.0
	for h, weight := range harmonics {
		power += weight * ((real(sum[h])*real(sum[h])+imag(sum[h])*imag(sum[h]))/spread - 1)
	}
	return power
}

// TestWindows: what is put together of short pieces is what the formula says, but for
// what their steps of shares blur.
func TestWindows(t *testing.T) {
	const share = .0046
	l, seen := marked(t, 160_000, share)
	var spare spare
	p := l.pieces(seen, 1, &spare).joined(joint, finestStep, int(widest/finestStep), &spare)
	for _, turns := range []float64{16, 64, 256} {
		short := p
		p = p.joined(joint, p.step/joint, p.half*joint, &spare)
		spare.give(short)
		w := p
		if turns > 16 && w.turns != turns {
			t.Fatalf("pieces of %v turns; want %v", w.turns, turns)
		}
		var top, off, n float64
		for i := 0; i < len(w.tally)-1; i += 1 + len(w.tally)/9 {
			if !w.tells(i) {
				continue
			}
			power := make([]float64, 2*w.half+1)
			w.power(i, power)
			for j, got := range power {
				want := slowPower(l, seen, w.middle(i)-w.turns/2, w.turns, float64(j-w.half)*w.step)
				off, n, top = off+(got-want)*(got-want), n+1, max(top, want)
				if math.Abs(got-want) > .1*math.Abs(want)+2 {
					t.Fatalf("power of turns %v from %v on at %+.5f = %.2f; want %.2f", turns, w.middle(i)-w.turns/2, float64(j-w.half)*w.step, got, want)
				}
			}
		}
		if n == 0 || math.Sqrt(off/n) > .03*top {
			t.Errorf("powers of %v turns are off by %.3f in the mean of %v, the most is %.1f; want 3 %% of it at most", turns, math.Sqrt(off/n), n, top)
		}
	}
	ws, n := l.windows([]*pieces{p, p}, false)
	if len(ws) == 0 || n != 2*len(ws) {
		t.Errorf("%d windows of %d; want the same twice", len(ws), n)
	}
	sum, best := make([]float64, 2*p.half+1), 0
	for _, w := range ws {
		for j, v := range w.power {
			sum[j] += v
		}
	}
	for j, v := range sum {
		if v > sum[best] {
			best = j
		}
	}
	if got := float64(best-p.half) * p.step; math.Abs(got-share) > 2*p.step {
		t.Errorf("the windows have most power at %+.5f; want %+.5f", got, share)
	}
}

// TestPlane: what neighbouring windows say together is what each says, but for a step of
// shares either way.
func TestPlane(t *testing.T) {
	l, seen := marked(t, 900_000, .0046)
	var spare spare
	p := l.pieces(seen, 1, &spare).joined(joint, finestStep, int(widest/finestStep), &spare).joined(joint, finestStep/4, 8, &spare).joined(joint, finestStep/16, 32, &spare)
	ws, _ := l.windows([]*pieces{p}, false)
	got := newPlane(bounds{leastU, mostU, -mostV, mostV}, p.step)
	got.hear(&l, ws)
	for i := 0; i < len(got.say); i += 37 {
		x := got.at(i)
		low, high := 0.0, 0.0
		for _, w := range ws {
			at := int(math.Round(x.at(&l, w.at)/p.step)) + p.half
			near := [3]float64{}
			for d := range near {
				near[d] = w.power[min(max(0, at+d-1), 2*p.half)]
			}
			low, high = low+min(near[0], near[1], near[2]), high+max(near[0], near[1], near[2])
		}
		if got.say[i] < low-1e-6 || got.say[i] > high+1e-6 {
			t.Fatalf("of the stretch %+v is said %.2f; want %.2f to %.2f", x, got.say[i], low, high)
		}
	}
	if at, _ := got.best(); math.Abs(at.u-.0046) > 2*p.step || math.Abs(at.v-.0046) > 2*p.step {
		t.Errorf("most is said of %+v; want both at .0046", at)
	}
}
