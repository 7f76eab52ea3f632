package plan

import (
	"math"
	"math/rand/v2"
	"testing"

	"turnstone/device/spiral"
)

// TestLook: what is worked out once for a walk or a ring, and chances that are kept until
// an outcome changes them, are what is worked out anew for every block.
func TestLook(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	s, _ := marked(t, r, spiral.Shape{Inner: 24, Pitch: .74e-3, Sector: 38_688 * 133.3e-6}, 400_000, .4, false)
	n := int64(len(s.state))
	for b := range n {
		s.field.kind[b] = uint8(max(0, r.IntN(10)-7))
	}
	failed, lost := map[int]float64{}, map[int]float64{} // by ring
	for b, v := range s.saw {
		if v == sawBad {
			failed[s.field.ringOf(int64(b))]++
		}
	}
	for range 40 {
		b := r.Int64N(n)
		if r.IntN(2) == 0 { // an outcome
			ring := s.field.ringOf(b)
			track := r.IntN(3) == 0
			s.moment++
			s.skill.note(b, s.trusted(ring, b), true)
			s.see(ring, b, true, track)
			s.field.learn(ring)
			s.price.failed(track, 3e8)
			failed[ring]++
			if track {
				lost[ring]++
			}
		}
		w := s.walker(b)
		for range 100 {
			if b = (b + 1 + r.Int64N(200)) % n; r.IntN(20) == 0 { // a survey jumps about
				b = r.Int64N(n)
			}
			ring := s.field.ringOf(b)
			fails, tracks := 0.0, 0.0
			for i := ring - 8; i <= ring+8; i++ {
				fails += failed[i]
				tracks += lost[i]
			}
			share := (tracks + .5) / (fails + 1)
			if kind := s.field.kind[b]; kind != unheard {
				share = s.field.hints[kind].losing(kind, share)
			}
			want := prospect{s.skill.chance(b, s.trusted(ring, b)), s.price.medium.of()*(1-share) + s.price.lost.of()*share}
			if got := w.look(b); got != want || w.ring != ring || w.shape != firstShape+fails {
				t.Fatalf("block %d: %+v, ring %d, shape %v; want %+v, ring %d, shape %v", b, got, w.ring, w.shape, want, ring, firstShape+fails)
			}
		}
	}
}

// TestPassOver: the two short ways are those that what coming back is worth leads to, and
// the price of the slow-down is that of the rung that the drive has come to.
func TestPassOver(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	var passed, all int
	for range 300 {
		s := &byPlace{sure: r.IntN(2) * 2 * sureMany}
		for range r.IntN(300) {
			s.standing.add(r.Float64(), math.Exp(r.Float64()*8-6))
		}
		s.standing.sum()
		w := walker{s: s, rung: r.IntN(len(ladder)), good: r.Int64N(climb)}
		w.deal(.001+r.Float64()*.01, math.Exp(r.Float64()*10-4), 1+10*r.Float64()*float64(r.IntN(2)))
		for range 100 {
			x := prospect{math.Exp(-math.Exp(8*r.Float64() - 6)), math.Exp(3*r.Float64() - 2)}
			share := s.debtShare(w.rung)
			slow := share * w.full * slower(w.rung, w.good)
			back := s.standing.back(x.chance/(w.full+(1-x.chance)*x.cost), w.worth)
			want := x.chance+min(back, comeBackAt)*comeBack < w.worth*(x.cost+slow)*(1-x.chance)/w.luck
			if got := w.passOver(x); got != want {
				t.Fatalf("passOver(%+v) at %v blocks a second, %+v, = %v; want %v", x, w.worth, w, got, want)
			}
			if pace := 1 + (1/ladder[w.rung]-1)*(1-share); w.pace != pace {
				t.Fatalf("a block on rung %d takes %v times as long; want %v", w.rung, w.pace, pace)
			}
			all++
			if want {
				passed++
			}
			for range r.IntN(40) {
				w.read()
			}
		}
	}
	if passed < all/10 || passed > all*9/10 {
		t.Errorf("%d of %d blocks are passed over; want both ways to be tried", passed, all)
	}
}

// TestSweep: a sweep takes what brings as much as the price and nothing else, at a price
// that falls until that is a quarter of the open blocks beyond the first 32,768.
func TestSweep(t *testing.T) {
	for _, price := range []float64{1e6, 50, 1e-6} {
		s, _ := marked(t, rand.New(rand.NewPCG(13, 14)), spiral.Shape{Inner: 24, Pitch: .74e-3, Sector: 38_688 * 133.3e-6}, 1_000_000, .4, false)
		s.worth = price
		s.sweep()
		took, at := 0, 0
		for b := range int64(len(s.state)) {
			x := s.walker(b)
			p := x.look(b)
			worth := p.chance/(1-p.chance)/p.cost >= s.worth
			if worth {
				took++
			}
			taken := at < len(s.run) && s.run[at] == b
			if taken {
				at++
			}
			if taken != worth {
				t.Fatalf("block %d, %+v: taken at a price of %v: %v; want %v", b, p, s.worth, taken, worth)
			}
		}
		if least := (s.left - 32_768) / 4; took < least || s.worth > price || s.worth < price && took == s.left {
			t.Errorf("a sweep at a price of %v took %d of %d open blocks at %v; want %d at the least, and not all", price, took, s.left, s.worth, least)
		}
	}
}
