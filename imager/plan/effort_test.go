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

// TestEffortMostly: once four blocks came that would not have come at the first attempt,
// retries are asked for everywhere, until half of them are in vain; rarely helping they are
// never.
func TestEffortMostly(t *testing.T) {
	e := newEffort()
	n := 0
	for ; !e.mostly() && n < 100; n++ {
		e.note(true)
	}
	if n != 4 { // 3.4 of 7.4, then 4.4 of 8.4
		t.Errorf("retries are asked for everywhere once %d blocks came with them; want 4", n)
	}
	for range 40 {
		e.note(true)
	}
	for n = 0; e.mostly() && n < 1000; n++ {
		e.note(false)
	}
	if n < 30 || n > 50 {
		t.Errorf("after 44 that came %d in vain end that; want about as many", n)
	}
	for range 3000 {
		e.note(true)
		e.note(false)
		e.note(false)
	}
	if e.mostly() || !e.pays() {
		t.Errorf("one in three: mostly %v, pays %v; want false, true", e.mostly(), e.pays())
	}
}

// TestRetriesOfARun: many where nearly all is expected to come, some where most is, none where
// little is; nearly all wherever they mostly help, and none where they don't pay. All of the
// drive's own only where a block is asked for once.
func TestRetriesOfARun(t *testing.T) {
	for _, test := range []struct {
		chance       float64
		helped, vain int
		whole        bool
		want         uint8
	}{
		{.95, 0, 0, true, 15}, {.7, 0, 0, true, 3}, {.3, 0, 0, true, 0},
		{.95, 5, 0, true, 15}, {.7, 5, 0, true, 15}, {.3, 5, 0, true, 15},
		{.95, 0, 100, true, 0}, {.7, 0, 100, true, 0},
		{.95, 0, 0, false, 16}, {.7, 0, 0, false, 3}, {.3, 5, 0, false, 16},
	} {
		task := scarTask(2400)
		task.Disc.WholeBlocks = test.whole
		s := New(task).place
		for range test.helped {
			s.effort.note(true)
		}
		for range test.vain {
			s.effort.note(false)
		}
		if s.settings(&zone{gain: test.chance * 100, count: 100}); s.retries != test.want {
			t.Errorf("%+v: asked for with %d retries", test, s.retries)
		}
	}
}
