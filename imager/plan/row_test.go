package plan

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/mapfile"
)

// TestRow: how deep a block is in a row: x failed, o came, g came before and b failed before, by
// another drive or in another round, a point was not asked for, ? is the block.
func TestRow(t *testing.T) {
	many := strings.Repeat
	for _, test := range []struct {
		blocks string
		want   int
	}{
		{"?", 0}, {"xxxxx?", 0}, {"xxxxxx?", 2}, {"?xxxxxx", 2}, // 6 long, 1 away: 1 of 7
		{"xxxxxx..?", 1}, {"xxxxxx.....?", 1}, {"xxxxxx......?", 0}, // up to as far as it is long
		{"xx.x..xxx?", 3}, {"bbbbbb?", 0}, {"xbxbxbxxx?", 3}, // holes, and what failed before
		{"xxxx?xx", 3}, {"xxx?xx", 0}, {"xxx...?...xxx", 2}, {"xxx..?....xxx", 2}, // between two parts of it
		{"xxxxxx.?.o", 1}, {"xxxxxx..?.o", 0}, {"xxxxxx..?..o", 1}, {"xxxxxx...?..o", 0}, {"xxxxxx.?......g", 2}, // toward an end
		{"o.xxxxxx?", 2}, {"xxxxxxo?", 0}, {"xxxxxxg?xxxxx", 0}, {"xxxgxxx?", 0},
		{many("x", 14) + "?", 3}, {many("x", 15) + "?", 4}, {many("x", 300) + "?", 4},
		{many("x", 20) + many(".", 29) + "?", 0}, {many("x", 20) + many(".", 29) + "?" + many(".", 199) + "x", 3}, // far apart
		{many("x", 300) + many(".", 16) + "?", 3}, {many("x", 300) + many(".", 127) + "?", 1}, {many("x", 300) + many(".", 128) + "?", 0},
		{many("x", 300) + many(".", 16) + "?" + many(".", 20) + "o", 1}, {many("x", 300) + many(".", 16) + "?" + many(".", 14) + "o", 0},
	} {
		for _, turned := range []bool{false, true} {
			blocks := []rune(test.blocks)
			if turned {
				slices.Reverse(blocks)
			}
			k, at := skill{saw: make([]uint8, len(blocks)), own: make([]bool, len(blocks))}, int64(-1)
			for i, c := range blocks {
				k.own[i] = c == 'x' || c == 'o'
				switch c {
				case 'x', 'b':
					k.saw[i] = sawBad
				case 'g', 'o':
					k.saw[i] = sawGood
				case '?':
					at = int64(i)
				}
			}
			if got := k.row(at); got != test.want {
				t.Errorf("%s: at a depth of %d; want %d", string(blocks), got, test.want)
			}
		}
	}
}

// TestSide: what is seen to a side of a block is as it is by looking at one block after the other.
func TestSide(t *testing.T) {
	r := rand.New(rand.NewPCG(27, 28))
	for range 2000 {
		n := 1 + r.IntN(400)
		k := skill{saw: make([]uint8, n), own: make([]bool, n)}
		for range r.IntN(12) {
			i := r.IntN(n)
			for j, end := i, min(n, i+1+r.IntN(30)); j < end; j++ {
				k.saw[j], k.own[j] = uint8(r.IntN(8)/7), r.IntN(4) > 0 // good or none
				if r.IntN(3) > 0 {
					k.saw[j] = sawBad
				}
			}
		}
		b, step := int64(r.IntN(n)), int64(1-2*r.IntN(2))
		var want side
		for d := int64(1); d <= rowReach && b+d*step >= 0 && b+d*step < int64(n); d++ {
			x := b + d*step
			if k.saw[x] == sawGood {
				if want.failed == 0 {
					want.came = d
				}
				break
			}
			if k.saw[x] == sawBad && k.own[x] {
				if want.failed++; want.failed == 1 {
					want.away = d
				}
				want.long = d + 1 - want.away
			}
		}
		if got := k.side(b, step); got != want {
			t.Fatalf("from block %d of %v in steps of %d: %+v; want %+v", b, k.saw, step, got, want)
		}
	}
}

// TestRowsByHand: nothing seen changes nothing, nor does what came as expected; what failed
// counts against three more that came as expected, at its depth alone; depth 0 is no row.
func TestRowsByHand(t *testing.T) {
	var r rows
	for depth := range rowSteps + 1 {
		if got := r.factor(depth); got != 1 {
			t.Fatalf("nothing seen: the factor at a depth of %d is %v; want 1", depth, got)
		}
	}
	r.note(0, .9, true)
	if r != (rows{}) {
		t.Errorf("what lies in no row was counted: %v", r)
	}
	r.note(2, .5, true)
	r.note(2, .5, true)
	if got, want := r.factor(2), 3/(.5*.99+.5+3); math.Abs(got-want) > 1e-12 {
		t.Errorf("two in vain of which a half was expected: factor %v; want %v", got, want)
	}
	for _, depth := range []int{0, 1, 3, 4} {
		if r.factor(depth) != 1 {
			t.Errorf("depth %d was counted: %v", depth, r)
		}
	}
	for range 200 {
		r.note(4, .5, false)
	}
	if got := r.factor(4); got != 1 {
		t.Errorf("all came of which a half was expected: factor %v; want 1", got)
	}
}

// TestRowsAreLeft: on small discs of which each fifth run of 97 blocks is bad, invented ones,
// less is asked for in vain until nearly all that is good is there.
func TestRowsAreLeft(t *testing.T) {
	const blocks, discs = 500, 40
	vain := func(disc uint64, with bool) (failed int) {
		bad, good := make([]bool, blocks), 0
		for b := range bad {
			bad[b] = rand.New(rand.NewPCG(uint64(b/97), disc)).Float64() < .2
			if !bad[b] {
				good++
			}
		}
		p := New(scarTask(blocks))
		if !with {
			for i := range p.place.rows {
				p.place.rows[i] = rowFared{1e9, 1e9}
			}
		}
		for came := 0; came < good*99/100; {
			q, step := p.Next()
			if step != Ask {
				t.Fatalf("disc %d: the pass ends with %d of %d", disc, came, good)
			}
			o := Outcome{Request: q, Result: mapfile.Delivered}
			for b := int64(q.Range.First) / 16; b < int64(q.Range.End)/16; b++ {
				if bad[b] {
					failed++
					o.Failed, o.Result = 16, mapfile.Failed
					break
				}
				came, o.Good = came+1, o.Good+16
			}
			o.Took = time.Duration(o.Good/16*2+o.Failed/16*200) * time.Millisecond
			p.Note(o)
		}
		return failed
	}
	with, without := 0, 0
	for disc := range uint64(discs) {
		with += vain(disc, true)
		without += vain(disc, false)
	}
	t.Logf("failed until 99 %% of the good blocks were there, on %d discs: %d, without rows %d", discs, with, without)
	if float64(with) > .8*float64(without) {
		t.Errorf("%d failed, without rows %d; want a fifth fewer at least", with, without)
	}
}
