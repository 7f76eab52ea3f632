package plan

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"turnstone/mapfile"
)

// TestRow: the row that a block is in: x failed, o came, g came before, by another drive or
// in another round, a point was not asked for, b is the block.
func TestRow(t *testing.T) {
	for _, test := range []struct {
		blocks string
		want   int
	}{
		{"b", 0}, {"xb", 1}, {"bx", 1}, {"xxxxb", 4}, {"oxxxxbxx", 4}, {"xxbxxxxxo", 5},
		{"xxxxob", 0}, {"xxxx.b", 4}, {"xxxx..b", 4}, {"xxxx...b", 4}, {"xxxx....b", 0}, {"xxxx.g.b", 0},
		{"oxxxo..b", 0}, {"xxx.xb", 1}, {"b.....xxxxxx", 6}, {"b......xxxxxx", 0},
		{"xxxxxxxxxxxxxxxxxxxxb", 16}, {"xxxxxxxxxxxxxxxxxxxx...............b", 16}, {"xxxxxxxxxxxxxxxxxxxx................b", 0},
	} {
		k, at := skill{saw: make([]uint8, len(test.blocks)), own: make([]bool, len(test.blocks))}, int64(-1)
		for i, c := range test.blocks {
			switch c {
			case 'x', 'o':
				k.saw[i], k.own[i] = map[rune]uint8{'x': sawBad, 'o': sawGood}[c], true
			case 'g':
				k.saw[i] = sawGood
			case 'b':
				at = int64(i)
			}
		}
		if got := k.row(at); got != test.want {
			t.Errorf("%s: in a row of %d; want %d", test.blocks, got, test.want)
		}
	}
}

// TestRowsByHand: nothing seen changes nothing, nor does what came as expected; what failed
// counts against two more that came as expected, at the row's step alone; and a row is four.
func TestRowsByHand(t *testing.T) {
	var r rows
	for row := range rowMost + 1 {
		if got := r.factor(row); got != 1 {
			t.Fatalf("nothing seen: the factor in a row of %d is %v; want 1", row, got)
		}
	}
	r.note(3, .9, true)
	if r != (rows{}) {
		t.Errorf("a row of three was counted: %v", r)
	}
	r.note(7, .5, true)
	r.note(4, .5, true)
	if got, want := r.factor(5), 2/(.5*.99+.5+2); math.Abs(got-want) > 1e-12 {
		t.Errorf("two in vain of which a half was expected: factor %v; want %v", got, want)
	}
	if r.factor(8) != 1 || r.factor(16) != 1 {
		t.Errorf("longer rows were counted: %v", r)
	}
	for range 200 {
		r.note(16, .5, false)
	}
	if got := r.factor(16); got != 1 {
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
