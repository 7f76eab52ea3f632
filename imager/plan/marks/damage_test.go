package marks

import (
	"math"
	"testing"

	"turnstone/device/spiral"
)

// slowDamage is Damage by its formula, cell by cell.
func (d *Disc) slowDamage(layer int, s *Sights) Damage {
	c := &d.layers[layer]
	l := &c.leg
	f := d.unharmed(layer)
	n := len(f.Seen)
	blamed := make([]float32, n)
	each := func(do func(k, row, from, to int)) {
		for k := range l.blocks {
			if b := l.first + k; b >= len(s.state) || s.state[b] == unseen {
				continue
			}
			at := float64(k)
			row := min(max(0, int((l.radius(at+.5)-f.Inner)/f.Step)), f.Bands-1)
			if f.Angles == 1 {
				do(k, row, 0, 1)
				continue
			}
			from, to := l.turn(at)*damageAngles, l.turn(at+1)*damageAngles
			first := int(math.Floor(from + .5))
			do(k, row, first, min(max(first+1, int(math.Floor(to+.5))), first+damageAngles))
		}
	}
	var bad [][3]int
	each(func(k, row, from, to int) {
		for a := from; a < to; a++ {
			f.Seen[row*f.Angles+a%f.Angles]++
		}
		if s.state[l.first+k] == failed {
			bad = append(bad, [3]int{row, from, to})
		}
	})
	for i := range f.Stops {
		f.Stops[i] = suspicion
	}
	for range damageRounds {
		clear(blamed)
		for _, x := range bad {
			row, sum := f.Stops[x[0]*f.Angles:(x[0]+1)*f.Angles], float32(0)
			for a := x[1]; a < x[2]; a++ {
				sum += row[a%f.Angles]
			}
			if sum <= 0 {
				continue
			}
			to := blamed[x[0]*f.Angles:]
			for a := x[1]; a < x[2]; a++ {
				to[a%f.Angles] += row[a%f.Angles] / sum
			}
		}
		for i, n := range f.Seen {
			if n > 0 {
				f.Stops[i] = blamed[i] / n
			}
		}
	}
	f.stop(l)
	return f
}

// TestDamage: what is worked out by sums over arcs is what the formula says, with angles
// and without, on both layers.
func TestDamage(t *testing.T) {
	const half = 400_000
	nominal, err := spiral.Nominal("dvd", true, half, half)
	if err != nil {
		t.Fatal(err)
	}
	s := NewSights(2*half, 16)
	x := uint32(1)
	for b := range s.state {
		x = x*1664525 + 1013904223
		turn := nominal.At(float64(b * 16)).Turn
		switch {
		case x>>24 < 20: // unseen
		case math.Abs(turn-math.Floor(turn)-.4) < .15 && b/3000%3 > 0, x>>24 < 30:
			s.state[b] = failed
		default:
			s.state[b] = came
		}
	}
	d := Calibrate("dvd", nominal, NewSights(2*half, 16))
	for layer := range 2 {
		for _, known := range []bool{false, true} {
			d.layers[layer].known = known
			got, want := d.Damage(layer, s), d.slowDamage(layer, s)
			if got.Bands != want.Bands || got.Angles != want.Angles || len(got.Stops) != len(want.Stops) {
				t.Fatalf("layer %d: cells %d × %d; want %d × %d", layer, got.Bands, got.Angles, want.Bands, want.Angles)
			}
			some := 0
			for i := range want.Stops {
				if math.Abs(float64(got.Stops[i]-want.Stops[i])) > 1e-4 || got.Seen[i] != want.Seen[i] {
					t.Fatalf("layer %d, angles known %v: cell %d stops %v, seen %v; want %v, %v", layer, known, i, got.Stops[i], got.Seen[i], want.Stops[i], want.Seen[i])
				}
				if want.Stops[i] > .5 {
					some++
				}
			}
			if known && some < 1000 {
				t.Errorf("layer %d: %d cells stop half of the blocks; want 1000 at least", layer, some)
			}
		}
	}
}
