package plan

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// words are requests for a table: "0+64 reading forward".
func words(asked []Request) []string {
	var out []string
	for _, q := range asked {
		out = append(out, q.Range.String()+" "+q.Why)
	}
	return out
}

// TestOrder shows the order on discs small enough to follow.
func TestOrder(t *testing.T) {
	all := func(n sector.LBA) sector.Set { return sector.Of(sector.Range{First: 0, End: n}) }
	marks := func(n int, at ...int) []bool {
		out := make([]bool, n)
		for _, a := range at {
			out[a] = true
		}
		return out
	}
	for _, c := range []struct {
		name  string
		task  Task
		drive drive
		want  []string
		why   string
	}{
		{
			name: "nothing written",
			task: Task{Disc: Disc{Block: 16, Largest: 64}},
			why:  "there was nothing to ask for",
		}, {
			name:  "one sector",
			task:  Task{Disc: Disc{Written: all(1), Block: 16, Largest: 64}},
			drive: drive{hard: marks(1)},
			want:  []string{"0+1 what is missing of one block"},
			why:   "everything missing was asked for",
		}, {
			name:  "one sector that fails is not asked for twice",
			task:  Task{Disc: Disc{Written: all(1), Block: 16, Largest: 64}},
			drive: drive{hard: marks(1, 0)},
			want:  []string{"0+1 what is missing of one block"},
			why:   "everything missing was asked for",
		}, {
			name:  "one block",
			task:  Task{Disc: Disc{Written: all(16), Block: 16, Largest: 64}},
			drive: drive{hard: marks(16)},
			want:  []string{"0+16 reading forward"},
			why:   "everything missing was asked for",
		}, {
			name:  "a failed block, what was delivered of it kept",
			task:  Task{Disc: Disc{Written: all(4), Block: 4, Largest: 4}},
			drive: drive{hard: marks(4, 2), lead: true},
			want: []string{"0+4 reading forward", "2+1 sector by sector: what is left of failed blocks at the edges of damage",
				"3+1 sector by sector: what is left of failed blocks at the edges of damage"},
			why: "everything missing was asked for",
		}, {
			name:  "the same where the drive decodes whole blocks",
			task:  Task{Disc: Disc{Written: all(4), Block: 4, Largest: 4, WholeBlocks: true}},
			drive: drive{hard: marks(4, 2), lead: true},
			want:  []string{"0+4 reading forward"},
			why:   "everything missing was asked for",
		}, {
			name:  "CD: sectors are blocks",
			task:  Task{Disc: Disc{Written: all(3), Block: 1, Largest: 8}},
			drive: drive{hard: marks(3, 1)},
			want: []string{"0+1 reading forward", "1+1 reading forward",
				"2+1 on to the stretch with the best record"},
			why: "everything missing was asked for",
		}, {
			name: "runs that are missing of partly good blocks, a gap within a block",
			task: Task{Disc: Disc{Written: sector.Of(sector.Range{First: 0, End: 6}, sector.Range{First: 9, End: 16}), Block: 8, Largest: 32},
				Good: sector.Of(sector.Range{First: 1, End: 3})},
			drive: drive{hard: marks(16)},
			want:  []string{"0+1 what is missing of one block", "3+3 what is missing of one block", "9+7 what is missing of one block"},
			why:   "everything missing was asked for",
		}, {
			name:  "only a part",
			task:  Task{Disc: Disc{Written: all(32), Block: 8, Largest: 32}, Only: sector.Of(sector.Range{First: 6, End: 18})},
			drive: drive{hard: marks(32)},
			want:  []string{"6+2 what is missing of one block", "8+8 reading forward", "16+2 what is missing of one block"},
			why:   "everything missing was asked for",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := c.drive
			d.block = c.task.Disc.Block
			d.soft, d.stall = make([]bool, len(d.hard)), make([]bool, len(d.hard)+1)
			b := newTable(t, c.task, &d)
			if got := words(b.pass(toTheEnd)); !slices.Equal(got, c.want) {
				t.Errorf("asked\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(c.want, "\n"))
			}
			p := New(c.task)
			for q, step := p.Next(); step == Ask; q, step = p.Next() {
				p.Note(d.answer(q))
			}
			if got := p.End(); got != (End{"complete", c.why}) {
				t.Errorf("End() = %+v; want %q", got, c.why)
			}
		})
	}
}

// long is a task over n blocks of 16 in one stretch of several blocks: 256 · 64
// blocks, of which all but the first n are good.
func long(n int64) Task {
	const blocks = 256 * 64
	return Task{
		Disc: Disc{Written: sector.Of(sector.Span(0, blocks*16)), Block: 16, Largest: 8 * 16},
		Good: sector.Of(sector.Range{First: sector.LBA(n * 16), End: blocks * 16}),
	}
}

// TestRequestSize: as many blocks as the largest request while they come, one
// behind a failure, then twice as many with every one that comes.
func TestRequestSize(t *testing.T) {
	p := New(long(64))
	var sizes []int64
	for i := range 8 {
		q, step := p.Next()
		if step != Ask {
			t.Fatalf("step %d at request %d", step, i)
		}
		sizes = append(sizes, q.Range.Count()/16)
		o := Outcome{Request: q, Good: q.Range.Count(), Result: mapfile.Failed}
		if i == 1 { // its third block fails, the rest counts as not asked
			o.Good, o.Failed = 32, 16
		}
		p.Note(o)
	}
	// 8 come; 3 of 8 are decided, the other 5 are asked for first: 1, 2, then
	// what is left of them, then on at the old place.
	if want := []int64{8, 8, 1, 2, 2, 8, 8, 8}; !slices.Equal(sizes, want) {
		t.Errorf("sizes = %v; want %v", sizes, want)
	}
}

// TestSlowAnswers: a drive whose answers are long in coming is asked for less, one
// that is quick again for more.
func TestSlowAnswers(t *testing.T) {
	p := New(long(64))
	var sizes []int64
	for i, took := range []time.Duration{0, patience + 1, 2*patience + 1, 2*patience + 1, 2*patience + 1, 2*patience + 1, patience, patience, 0} {
		q, step := p.Next()
		if step != Ask {
			t.Fatalf("step %d at request %d", step, i)
		}
		sizes = append(sizes, q.Range.Count()/16)
		p.Note(Outcome{Request: q, Good: q.Range.Count(), Took: took})
	}
	if want := []int64{8, 8, 8, 4, 2, 1, 1, 2, 4}; !slices.Equal(sizes, want) {
		t.Errorf("sizes = %v; want %v", sizes, want)
	}
}

// TestBlurOfAPart: only the blocks that a blur covers are asked for singly; those behind
// it were not asked for, and come as if they had never been.
func TestBlurOfAPart(t *testing.T) {
	for _, kind := range []string{"", "dvd"} {
		for _, result := range []mapfile.Result{mapfile.Failed, mapfile.Stalled} {
			d := Disc{Written: sector.Of(sector.Span(0, 98_304)), Block: 16, Largest: 384, WholeBlocks: true, Kind: kind}
			p := New(Task{Disc: d, ToTheEnd: true})
			var q Request
			for q.Range.Count() < 64 {
				var step Step
				if q, step = p.Next(); step != Ask {
					t.Fatalf("kind %q: Next() = %v; want a request of several blocks", kind, step)
				}
				if q.Range.Count() < 64 {
					p.Note(Outcome{Request: q, Good: q.Range.Count()})
				}
			}
			blur := sector.Range{First: q.Range.First + 16, End: q.Range.First + 48}
			p.Note(Outcome{Request: q, Good: 16, Blur: true, Blurred: 32, Result: result})
			singly, together := 0, 0
			for {
				q, step := p.Next()
				if step == Done {
					break
				}
				switch {
				case blur.Covers(q.Range) && q.Range.Count() == 16:
					singly++
				case blur.Overlaps(q.Range):
					t.Errorf("kind %q: %v is asked for after a blur of %v; want its blocks singly", kind, q.Range, blur)
				case q.Range.Count() > 16:
					together++
				}
				p.Note(Outcome{Request: q, Good: q.Range.Count()})
			}
			if singly != 2 || q.Range.Count() > 64 && together == 0 {
				t.Errorf("kind %q, %v: %d blocks of a blur of two singly, %d other requests of several blocks; want 2, some",
					kind, result, singly, together)
			}
		}
	}
}

// TestBlur: the blocks of a request that failed as a whole are asked for singly,
// at once; after a stall, last of all.
func TestBlur(t *testing.T) {
	for _, c := range []struct {
		result mapfile.Result
		want   []string
	}{
		{mapfile.Failed, []string{"128+128", "256+16", "272+16", "288+16", "304+16", "320+16", "336+16", "352+16", "368+16", "384+128"}},
		{mapfile.Stalled, []string{"128+128", "384+16", "400+32", "432+64", "496+16", "256+16", "272+16", "288+16"}},
	} {
		p := New(long(32))
		for range 2 { // two are outstanding; the second is answered first
			p.Next()
		}
		p.Note(Outcome{Request: Request{Range: sector.Span(128, 128)}, Good: 128})
		p.Note(Outcome{Request: Request{Range: sector.Span(0, 128)}, Good: 128})
		var got []string
		q, _ := p.Next()
		p.Note(Outcome{Request: q, Blur: true, Result: c.result})
		got = append(got, "128+128")
		for len(got) < len(c.want) {
			q, step := p.Next()
			if step != Ask {
				t.Fatalf("step %d after %v", step, got)
			}
			got = append(got, q.Range.String())
			p.Note(Outcome{Request: q, Good: q.Range.Count()})
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("after a blur that was %d: %v; want %v", c.result, got, c.want)
		}
	}
}

// TestReadingOrder: what was handed back of a stretch and what is to be asked
// for singly is taken in order of address.
func TestReadingOrder(t *testing.T) {
	p := New(long(32))
	a, _ := p.Next()
	b, _ := p.Next()
	p.Note(Outcome{Request: b, Blur: true, Result: mapfile.Failed})
	p.Note(Outcome{Request: a})
	var got []string
	for range 10 {
		q, _ := p.Next()
		got = append(got, q.Range.String())
		p.Note(Outcome{Request: q, Good: q.Range.Count()})
	}
	want := []string{"0+16", "16+32", "48+64", "112+16", "128+16", "144+16", "160+16", "176+16", "192+16", "208+16"}
	if !slices.Equal(got, want) {
		t.Errorf("asked %v; want %v", got, want)
	}
}

// TestLeave: a stretch is left when one of its own blocks fails, not when an
// outstanding request in another one does.
func TestLeave(t *testing.T) {
	p := New(long(256 * 64))
	a, _ := p.Next()
	b, _ := p.Next()
	c, _ := p.Next()
	p.Note(Outcome{Request: a, Failed: 16, Result: mapfile.Failed})
	if q, _ := p.Next(); q.Range.First != 64*16 || q.Why != "on to the stretch with the best record" {
		t.Fatalf("after a failure in the first stretch: %+v; want the second", q)
	}
	p.Note(Outcome{Request: b, Good: 128}) // now the first has the best record
	p.Note(Outcome{Request: c, Failed: 16, Result: mapfile.Failed})
	q, _ := p.Next()
	if q.Range.First != 64*16+128 {
		t.Errorf("after another failure in the first stretch: %+v; want to go on in the second", q)
	}
	p.Note(Outcome{Request: q, Failed: 16, Result: mapfile.LostTrack})
	if q, _ := p.Next(); q.Range != sector.Span(16, 16) || q.Why != "on to the stretch with the best record" {
		t.Errorf("after a failure in the second stretch: %+v; want the second block of the first", q)
	}
}

// TestLastOfAll: blocks among which the drive stalled wait until every other has
// its outcome.
func TestLastOfAll(t *testing.T) {
	p := New(long(16))
	a, _ := p.Next()
	b, _ := p.Next()
	p.Note(Outcome{Request: a, Blur: true, Result: mapfile.Stalled})
	if q, step := p.Next(); step != Wait {
		t.Fatalf("Next() = %v, step %d; want Wait", q.Range, step)
	}
	p.Note(Outcome{Request: b, Good: 64})
	var got []string
	for q, step := p.Next(); step == Ask; q, step = p.Next() {
		got = append(got, q.Range.String())
		if len(got) > 1 { // the first is handed back once by a stall elsewhere
			p.Note(Outcome{Request: q, Good: q.Range.Count()})
		} else {
			p.Note(Outcome{Request: q})
		}
	}
	want := []string{"192+16", "208+32", "240+16"}
	if len(got) != 3+9 || !slices.Equal(got[:1], want[:1]) {
		t.Errorf("asked %v; want first %v, then the nine", got, want)
	}
}

// TestStallAlone: a block in which the drive stalls at a sector asked for alone is
// not taken apart further, neither in this pass nor in the next one.
func TestStallAlone(t *testing.T) {
	task := Task{Disc: Disc{Written: sector.Of(sector.Span(0, 8)), Block: 4, Largest: 4}}
	p := New(task)
	for range 2 {
		q, _ := p.Next()
		p.Note(Outcome{Request: q, Failed: 4, Result: mapfile.Failed})
	}
	first, _ := p.Next()
	second, _ := p.Next()
	p.Note(Outcome{Request: first, Failed: 1, Result: mapfile.Stalled})
	p.Note(Outcome{Request: second}) // the drive was opened again, what waited was dropped
	if p.Left() != 4 {
		t.Errorf("Left() = %d after the stall; want the 4 sectors of the other block", p.Left())
	}
	var got []string
	for q, step := p.Next(); step == Ask; q, step = p.Next() {
		got = append(got, q.Range.String())
		p.Note(Outcome{Request: q, Failed: 1, Result: mapfile.Failed})
	}
	if want := []string{"4+1", "5+1", "6+1", "7+1"}; !slices.Equal(got, want) {
		t.Errorf("after a stall at %v: %v; want %v", first.Range, got, want)
	}
	task.History = []Past{{Runs: []mapfile.Run{
		{Range: sector.Span(0, 1), Result: mapfile.Stalled, Alone: true},
		{Range: sector.Span(1, 3), Result: mapfile.Failed},
		{Range: sector.Span(4, 4), Result: mapfile.Failed, Alone: true}}}}
	if left := ToAsk(task); !left.Empty() {
		t.Errorf("ToAsk of the next pass = %v; want nothing", slices.Collect(left.Runs()))
	}
}

// TestHistory: what is asked for again, and what is not.
func TestHistory(t *testing.T) {
	disc := Disc{Written: sector.Of(sector.Span(0, 64)), Block: 16, Largest: 64}
	run := func(first, n int64, result mapfile.Result, alone bool) mapfile.Run {
		return mapfile.Run{Range: sector.Span(sector.LBA(first), n), Result: result, Alone: alone}
	}
	good := sector.Of(sector.Span(0, 16))
	for _, c := range []struct {
		name string
		task Task
		want []sector.Range
	}{
		{"no history", Task{Disc: disc, Good: good}, []sector.Range{sector.Span(16, 48)}},
		{"no restriction and a good part", Task{Disc: disc, Good: good, Only: sector.Of(sector.Span(8, 20))}, []sector.Range{sector.Span(16, 12)}},
		{"failed before, whole blocks only", Task{Disc: Disc{Written: disc.Written, Block: 16, Largest: 64, WholeBlocks: true}, Good: good,
			History: []Past{{Runs: []mapfile.Run{run(16, 16, mapfile.Failed, false), run(32, 16, mapfile.LostTrack, false)}}}},
			[]sector.Range{sector.Span(48, 16)}},
		{"failed before, to be taken apart", Task{Disc: disc, Good: good,
			History: []Past{{Runs: []mapfile.Run{run(16, 48, mapfile.Failed, false)}}}}, []sector.Range{sector.Span(16, 48)}},
		{"taken apart in part", Task{Disc: disc, Good: good,
			History: []Past{{Runs: []mapfile.Run{run(16, 4, mapfile.Failed, true), run(20, 44, mapfile.Failed, false)}}}}, []sector.Range{sector.Span(20, 44)}},
		{"stalled is asked for, and stays whole", Task{Disc: disc, Good: good,
			History: []Past{{Runs: []mapfile.Run{run(16, 16, mapfile.Stalled, false), run(32, 4, mapfile.Failed, true), run(36, 4, mapfile.Stalled, true), run(40, 8, mapfile.Failed, false)}}}},
			[]sector.Range{sector.Span(48, 16)}},
		{"good meanwhile, or not wanted now", Task{Disc: disc, Good: sector.Of(sector.Span(0, 16), sector.Span(40, 2)), Only: sector.Of(sector.Span(0, 60)),
			History: []Past{{Runs: []mapfile.Run{run(16, 48, mapfile.Failed, false)}}}}, []sector.Range{sector.Span(16, 24), sector.Span(42, 18)}},
		{"another round", Task{Disc: disc, Good: good, Round: 1,
			History: []Past{{Runs: []mapfile.Run{run(16, 48, mapfile.Failed, true)}}}}, []sector.Range{sector.Span(16, 48)}},
		{"another drive", Task{Disc: disc, Good: good, Drive: 1,
			History: []Past{{Runs: []mapfile.Run{run(16, 48, mapfile.Failed, true)}}}}, []sector.Range{sector.Span(16, 48)}},
		{"the same, in several passes", Task{Disc: disc, Good: good, History: []Past{
			{Runs: []mapfile.Run{run(16, 16, mapfile.Failed, true)}}, {Drive: 1, Runs: []mapfile.Run{run(32, 16, mapfile.Failed, true)}},
			{Runs: []mapfile.Run{run(48, 16, mapfile.Failed, true)}}}}, []sector.Range{sector.Span(32, 16)}},
		{"again", Task{Disc: disc, Good: good, Again: true,
			History: []Past{{Runs: []mapfile.Run{run(16, 48, mapfile.Failed, true)}}}}, []sector.Range{sector.Span(16, 48)}},
		{"delivered once and rotten now", Task{Disc: disc, Good: good, History: []Past{
			{Runs: []mapfile.Run{run(16, 48, mapfile.Failed, true)}}, {Runs: []mapfile.Run{run(20, 4, mapfile.Delivered, false)}}}},
			[]sector.Range{sector.Span(20, 4)}},
		{"merged sectors say nothing of this drive", Task{Disc: disc, Good: good,
			History: []Past{{Runs: []mapfile.Run{run(16, 48, mapfile.Merged, false)}}}}, []sector.Range{sector.Span(16, 48)}},
		{"outside the disc", Task{Disc: disc, Good: good,
			History: []Past{{Runs: []mapfile.Run{run(-50, 20, mapfile.Failed, true), run(60, math.MaxInt64-60, mapfile.Failed, true)}}}},
			[]sector.Range{sector.Span(16, 44)}},
	} {
		got := ToAsk(c.task)
		if !slices.Equal(slices.Collect(got.Runs()), c.want) {
			t.Errorf("%s: ToAsk = %v; want %v", c.name, slices.Collect(got.Runs()), c.want)
		}
		if left := New(c.task).Left(); left != got.Count() {
			t.Errorf("%s: Left() = %d; want %d", c.name, left, got.Count())
		}
	}
}

// TestHugeHistory: runs of the history that reach over the largest disc there can
// be are not gone through block by block.
func TestHugeHistory(t *testing.T) {
	const end = 1 << 50
	task := Task{Disc: Disc{Written: sector.Of(sector.Range{First: 0, End: end}), Block: 16, Largest: 64}}
	task.Good = sector.Of(sector.Range{First: 0, End: end - 64})
	task.History = []Past{{Runs: []mapfile.Run{
		{Range: sector.Range{First: 0, End: end - 64}, Result: mapfile.Delivered, Alone: true},
		{Range: sector.Range{First: end - 64, End: math.MaxInt64}, Result: mapfile.Failed},
	}}}
	p := New(task)
	if p.Left() != 64 {
		t.Errorf("Left() = %d; want 64", p.Left())
	}
	for i := range sector.LBA(64) {
		want := end - 64 + i - 16 // the disc is one run: its last block is an end
		if i < 16 {
			want = end - 16 + i
		}
		q, step := p.Next()
		if step != Ask || q.Range != sector.Span(want, 1) {
			t.Fatalf("Next() = %v, step %d; want sector %d", q.Range, step, want)
		}
		p.Note(Outcome{Request: q, Good: 1})
	}
	if _, step := p.Next(); step != Done {
		t.Errorf("Next() = step %d; want Done", step)
	}
}

// TestNoteHostile: outcomes that contradict themselves or name no request of ours.
func TestNoteHostile(t *testing.T) {
	p := New(long(8))
	q, _ := p.Next()
	p.Note(Outcome{Request: Request{Range: sector.Span(5, 1)}, Good: 1})
	p.Note(Outcome{Request: Request{Range: q.Range, Alone: true}, Good: 1})
	if p.Left() != 128 {
		t.Fatalf("Left() = %d after outcomes of requests that are not outstanding; want 128", p.Left())
	}
	p.Note(Outcome{Request: q, Good: 1 << 60, Failed: 1 << 60, Blur: true, Result: 77})
	p.Note(Outcome{Request: q, Failed: 128}) // a second time
	single := New(long(1))
	q1, _ := single.Next()
	single.Note(Outcome{Request: q1, Good: 3, Blur: true, Result: mapfile.LostTrack})
	if q, _ := single.Next(); q.Range != sector.Span(3, 1) || !q.Alone {
		t.Errorf("after the blur of one block: %+v; want sector 3 alone, the block has failed", q)
	}
	if q, step := p.Next(); step != Done || p.Left() != 0 {
		t.Errorf("Next() = %+v, %d with %d left; want Done: all of it came", q, step, p.Left())
	}
	if e := New(long(8)).End(); e != (End{}) {
		t.Errorf("End() = %+v before the end; want the zero End", e)
	}
}
