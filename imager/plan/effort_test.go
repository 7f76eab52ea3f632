package plan

import "testing"

// TestEffort: retries are given up once the first six were in vain; one that helped buys
// them twenty-two more. By hand: with r = .995ⁿ, .4r < .04(4.4r + 200(1 − r)) from n = 6 on, and
// 1.398r < .04(5.378r + 200(1 − r)) from n = 28 on.
func TestEffort(t *testing.T) {
	for _, x := range []struct{ helped, vain int }{{0, 6}, {1, 28}} {
		e := newEffort()
		for range x.helped {
			e.note(true)
		}
		n := 0
		for ; e.pays() && n < 1000; n++ {
			e.note(false)
		}
		if n != x.vain {
			t.Errorf("after %d that helped retries pay until %d were in vain; want %d", x.helped, n, x.vain)
		}
	}
}
