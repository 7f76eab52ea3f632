package marks

import (
	"math"
	"testing"

	"turnstone/device/spiral"
)

// TestWorst: the region with most to win is that in which the marks lie, by hand.
func TestWorst(t *testing.T) {
	nominal, err := spiral.Nominal("dvd", true, 1_000_000)
	if err != nil {
		t.Fatal(err)
	}
	d := Calibrate("dvd", nominal, NewSights(1_000_000, 16))
	d.layers[0].known = true
	at := func(in, out, from, to float64, costs int64) Mark {
		return Mark{Inner: in, Outer: out, From: from, To: to, Costs: costs}
	}
	for _, c := range []struct {
		name  string
		marks []Mark
		want  Region
	}{
		{"one mark", []Mark{at(30.2, 30.8, .26, .32, 900)}, Region{30, 31, 6. / 24, 8. / 24, 1}},
		{"over angle 0", []Mark{at(36.2, 36.4, .96, 1.03, 500)}, Region{36, 37, 23. / 24, 25. / 24, 1}},
		{"all round", []Mark{at(28.2, 28.8, 0, 1, 700)}, Region{28, 29, 0, 1, 1}},
		{"a small one elsewhere", []Mark{at(30.2, 30.8, .26, .32, 900), at(40, 40.2, .7, .71, 100)}, Region{30, 31, 6. / 24, 8. / 24, .9}},
	} {
		f := Found{Marks: c.marks}
		for _, m := range c.marks {
			f.Missing += m.Costs
		}
		got, ok := d.Worst(0, f)
		if !ok || math.Abs(got.Inner-c.want.Inner) > .01 || math.Abs(got.Outer-c.want.Outer) > .01 || math.Abs(got.From-c.want.From) > 1e-9 ||
			math.Abs(got.To-c.want.To) > 1e-9 || math.Abs(got.Share-c.want.Share) > 1e-9 {
			t.Errorf("%s: Worst = %+v, %v; want %+v", c.name, got, ok, c.want)
		}
	}
	// What lies everywhere alike has no worst place.
	even := Found{Marks: []Mark{at(24, 42, 0, 1, 1000)}, Missing: 1000}
	if got, ok := d.Worst(0, even); ok && got.Outer-got.Inner < 10 {
		t.Errorf("of an even loss Worst = %+v; want none, or nearly all", got)
	}
	if _, ok := d.Worst(0, Found{}); ok {
		t.Error("of no loss there is a worst place; want none")
	}
	// Where angles drift, a place keeps its angles, and one with angles is no wide band.
	d.layers[0].drift = .4
	narrow, wide := at(30.2, 30.8, .26, .32, 900), at(25.2, 38.8, .26, .32, 900)
	if got, _ := d.Worst(0, Found{Marks: []Mark{narrow}, Missing: 900}); math.Abs(got.To-got.From-2./24) > 1e-9 {
		t.Errorf("with angles that drift Worst of a narrow mark = %+v; want its angles", got)
	}
	if got, _ := d.Worst(0, Found{Marks: []Mark{wide}, Missing: 900}); got.To-got.From < 1 && got.Outer-got.Inner > 6 {
		t.Errorf("with angles that drift Worst of a wide mark = %+v; want it all round, or at most 6 mm wide", got)
	}
	// Without angles it goes all round.
	d.layers[0].known = false
	if got, _ := d.Worst(0, Found{Marks: []Mark{at(30.2, 30.8, .26, .32, 900)}, Missing: 900}); got.From != 0 || got.To != 1 {
		t.Errorf("without angles Worst = %+v; want all round", got)
	}
}

// TestNews: by hand, what became of marks.
func TestNews(t *testing.T) {
	now := NewSights(1600, 16)
	for b := range now.state {
		now.state[b] = came
	}
	for b := 40; b < 50; b++ {
		now.state[b] = failed
	}
	mark := func(inner, from float64, costs int64, blocks ...int) Mark {
		return Mark{Inner: inner, Outer: inner + .2, From: from, To: from + .05, Costs: costs, blocks: blocks}
	}
	before := Found{Marks: []Mark{mark(30, .1, 900, 40, 41), mark(35, .1, 800, 1, 2, 3), mark(40, .1, 700, 44, 45, 60, 61)}}
	f := Found{Marks: []Mark{mark(30.1, .11, 890, 40, 41), mark(40, .12, 300, 44, 45), mark(30, .6, 200, 46)}}
	then := NewSights(int64(len(now.state))*now.block, now.block)
	for _, b := range []int{40, 41, 44, 45, 46} {
		then.state[b] = failed
	}
	f.Marks = append(f.Marks, mark(30, .3, 100, 48, 49)) // of what was not asked for before
	gone := f.Compare(before, then, now)
	for i, want := range []News{Same, Shrunk, New, Unknown} {
		if got := f.Marks[i].News; got != want {
			t.Errorf("news of mark %d = %q; want %q", i, got, want)
		}
	}
	if len(gone) != 1 || gone[0].Inner != 35 || gone[0].News != Gone {
		t.Errorf("gone = %+v; want the mark at 35 mm", gone)
	}
}
