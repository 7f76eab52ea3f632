package sim

import (
	"math"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// seconds fails the test unless a command took as long as it should.
func (v *driven) seconds(what string, want float64) {
	v.t.Helper()
	if got := (v.last.End - v.last.Start).Seconds(); math.Abs(got-want) > 2e-8 {
		v.t.Errorf("%s took %.9f s; want %.9f", what, got, want)
	}
}

// The numbers are worked out here from the rules alone.
func TestTimeOfACommand(t *testing.T) {
	d := disc(t)
	const rate16 = 16 * 1.385e6 / 58 // bytes a second for each mm of radius
	pass := func(r sector.Range, at sector.LBA) float64 { return float64(r.Bytes()) / (rate16 * d.radius(at)) }
	turn := turnAt16(d).Seconds()
	move := func(a, b sector.LBA) float64 {
		return 0.06 + 0.09*math.Sqrt(math.Abs(d.radius(a)-d.radius(b))/34) + turn/2
	}
	v := open(t, d, Opening{Start: time.Minute})
	if got := v.Now(); got != time.Minute {
		t.Errorf("Now() = %v; want a minute", got)
	}
	v.ask(block(0))
	v.seconds("the first block", pass(block(0), 0))
	v.ask(block(1))
	v.seconds("the next", pass(block(1), 16))
	v.ask(block(5))
	v.seconds("three blocks on", pass(sector.Span(0, 48), 32)+pass(block(5), 80))
	v.ask(sector.Span(100, 4))
	v.seconds("part of a block", pass(sector.Span(0, 4), 96)+pass(sector.Span(100, 4), 100))
	v.ask(block(38))
	v.seconds("31 blocks on, less than a move", move(104, 38*16)+pass(block(38), 38*16))
	v.ask(block(5))
	v.seconds("back", move(39*16, 80)+pass(block(5), 80))
	v.ask(block(5))
	v.seconds("the same again", move(96, 80)+pass(block(5), 80))
	v.ask(block(2900))
	v.seconds("far out", move(96, 2900*16)+pass(block(2900), 2900*16))
	many := sector.Span(2901*16, 256)
	v.ask(many)
	sum := 0.0
	for b := int64(2901); b < 2917; b++ {
		sum += pass(block(b), block(b).First)
	}
	v.seconds("16 blocks", sum)
}

// Passing over up to 32 blocks is taken where it is quicker than moving: at 16x
// near the hub 17 blocks are.
func TestPassingOverOrMoving(t *testing.T) {
	d := disc(t)
	for _, gap := range []int64{1, 16, 17, 18, 31, 32, 33} {
		v := open(t, d, Opening{})
		v.ask(block(0))
		v.ask(block(1 + gap))
		over := float64(gap*16*2048) / (16 * 1.385e6 * d.radius(16) / 58)
		far := d.radius(sector.LBA(16*(1+gap))) - d.radius(16)
		move := 0.06 + 0.09*math.Sqrt(far/34) + turnAt16(d).Seconds()/2
		want := min(over, move)
		if gap > 32 {
			want = move
		}
		v.seconds("a gap", want+float64(16*2048)/(16*1.385e6*d.radius(sector.LBA(16*(1+gap)))/58))
	}
}

func TestSpeedSteps(t *testing.T) {
	d := disc(t, append(marked(ring), drive0, `{"name": "A", "noise": 0.0001, "retries": 0}`)...)
	fails := oneOf(t, d, 0, func(c Chance) bool { return c.Slow == 0 && !c.Lost })
	v := open(t, d, Opening{})
	for _, want := range []int{16, 12, 8, 6, 4, 2, 2} {
		if _, c := v.ask(block(fails)); c.X != want || c.Outcome != Medium {
			t.Fatalf("failed read at %dx; want %dx", c.X, want)
		}
	}
	// 8 MiB are 256 blocks: the command after them runs a step faster.
	var at []int
	for b := range int64(256 * 6) {
		x := v.m.x()
		if _, c := v.ask(block(b % 256)); c.Outcome != OK || c.X != x {
			t.Fatalf("read %d: %+v; want it to come at %dx", b, c, x)
		}
		if v.m.x() != x {
			at = append(at, int(b))
		}
	}
	if want := [5]int{255, 511, 767, 1023, 1279}; len(at) != 5 || [5]int(at) != want {
		t.Errorf("the speed stepped up behind reads %v; want %v", at, want)
	}
	// A failure begins the count anew.
	for b := range int64(200) {
		v.ask(block(b))
	}
	v.ask(block(fails))
	for b := range int64(255) {
		if _, c := v.ask(block(b)); c.X != 12 {
			t.Fatalf("block %d after a failure at %dx; want 12x", b, c.X)
		}
	}
	v.ask(block(255))
	if v.m.x() != 16 {
		t.Errorf("%dx after 256 blocks; want 16x", v.m.x())
	}
	// A cap is not climbed over.
	if err := v.Set(t.Context(), device.Settings{SpeedKBps: 6 * 1385}); err != nil {
		t.Fatal(err)
	}
	for b := range int64(600) {
		if _, c := v.ask(block(b % 256)); c.X != 6 {
			t.Fatalf("block %d under a cap of 6x at %dx", b, c.X)
		}
	}
}

// What a failure costs, by the rules alone, with the head standing at the first
// sector that did not come.
func TestTimeOfAFailure(t *testing.T) {
	d := disc(t, append(marked(ring), drive0, `{"name": "A", "noise": 0.0001, "partial": true, "retries": 3}`)...)
	b := oneOf(t, d, 0, func(c Chance) bool { return c.Usual == 0 && !c.Lost })
	for heldUpTo(d, b) == 0 {
		b = oneOf(t, d, b+1, func(c Chance) bool { return c.Usual == 0 && !c.Lost })
	}
	good := oneOf(t, d, b+1, func(c Chance) bool { return c.Usual == 1 })
	v := open(t, d, Opening{})
	v.ask(block(b - 1))
	v.ask(block(b))
	transfer := 16 * 2048 / (16 * 1.385e6 * d.radius(block(b).First) / 58)
	turn := turnAt16(d).Seconds()
	v.seconds("a failure", transfer+3*1.2*turn+0.1)
	head := block(b).First + sector.LBA(v.last.Good)
	v.ask(block(good))
	// At 12x now.
	over := float64((block(good).First - head).Offset()) / (12 * 1.385e6 * d.radius(head) / 58)
	v.seconds("the next that comes", over+16*2048/(12*1.385e6*d.radius(block(good).First)/58))
}

func TestTimeOfALostTrack(t *testing.T) {
	d := disc(t, append(marked(blot), drive0, `{"name": "A", "stall": {"chance": 0.5, "min_s": 50, "max_s": 60}}`)...)
	v := open(t, d, Opening{})
	var lost, stalls int
	least, most, sum := math.Inf(1), 0.0, 0.0
	for b := range d.scenario.Blocks() {
		if !d.AppendChances(nil, 0, b)[0].Lost {
			continue
		}
		a, c := v.ask(block(b))
		s := a.Took.Seconds()
		switch c.Outcome {
		case LostTrack:
			if a.Err.Class != device.Track || a.Err.At != block(b).First {
				t.Fatalf("block %d = %v; want a lost track", b, a.Err)
			}
			lost++
			least, most, sum = min(least, s), max(most, s), sum+s
		case LongSilent:
			stalls++
			if s < 53 || s > 69.2 {
				t.Errorf("a stall of %v s; want 3 to 9 and 50 to 60, and a move", s)
			}
			if err := v.Reopen(t.Context()); err != nil {
				t.Fatal(err)
			}
		default:
			t.Fatalf("block %d = %+v; want a lost track", b, c)
		}
		if a.Good() != 0 {
			t.Fatalf("block %d gives %d sectors; want none", b, a.Good())
		}
	}
	if n := float64(lost + stalls); math.Abs(float64(stalls)-n/2) > 2*math.Sqrt(n) {
		t.Errorf("%d stalls at %v lost tracks; want about half", stalls, n)
	}
	if mean := sum / float64(lost); least < 3 || most > 9.2 || math.Abs(mean-6.05) > 8/math.Sqrt(float64(lost)) {
		t.Errorf("lost tracks took %v to %v s, %v on average; want 3 to 9, and a move", least, most, mean)
	}
}

// Going over to the other layer is a move, also within a command.
func TestChangingLayers(t *testing.T) {
	s, err := Load("../../testdata/scenarios/two-layers.json")
	if err != nil {
		t.Fatal(err)
	}
	s.marks = nil
	d, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	turn := 2 * turnAt16(d).Seconds() // at 8x
	pass := func(b int64) float64 { return 16 * 2048 / (8 * 1.385e6 * d.radius(block(b).First) / 58) }
	v := open(t, d, Opening{})
	v.ask(block(1998))
	v.ask(block(1999))
	v.seconds("the last block of layer 0", pass(1999))
	v.ask(block(2000))
	v.seconds("the first of layer 1", 0.06+turn/2+pass(2000))
	v.ask(block(2001))
	v.seconds("the second of layer 1", pass(2001))
	v.ask(block(1999))
	v.ask(block(1999))
	v = open(t, d, Opening{})
	v.ask(block(1998))
	v.ask(sector.Span(1999*16, 32))
	v.seconds("both", pass(1999)+0.06+turn/2+pass(2000))
	if a, b := d.radius(block(2000).First), d.radius(block(2010).First); a <= b {
		t.Errorf("layer 1 begins at %v mm and comes to %v; want it to run inwards", a, b)
	}
}
