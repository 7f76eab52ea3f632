package plan

import "testing"

// TestSkillOfFailures: failures alone say nothing of how far the surface is to be
// believed.
func TestSkillOfFailures(t *testing.T) {
	k := newSkill(make([]uint8, 1000), make([]bool, 1000))
	before := k.weight
	for b := range int64(500) {
		k.note(b, .9, true)
		k.see(b, true)
	}
	if k.weight != before {
		t.Errorf("after 500 failures the weights are %v; want %v still", k.weight, before)
	}
}

// TestSkillOfEverySecond: where every second block is bad, a block is not thought the
// better for the bad ones beside it.
func TestSkillOfEverySecond(t *testing.T) {
	const n = 4000
	saw, own := make([]uint8, n), make([]bool, n)
	k := newSkill(saw, own)
	for b := range int64(n) {
		bad := b%2 == 1
		k.note(b, .5, bad)
		k.see(b, bad)
		own[b], saw[b] = true, sawGood
		if bad {
			saw[b] = sawBad
		}
		if k.weight[besideSays] < 0 || k.weight[stretchSays] < 0 {
			t.Fatalf("after block %d the weights are %v; want none below 0", b, k.weight)
		}
	}
	if p := k.chance(n-1, .5); p < .3 || p > .7 {
		t.Errorf("of a block of such a disc %.2f is expected; want about a half", p)
	}
}
