package plan

import (
	"slices"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// row is a case over a row of blocks of 4, one letter for each:
//
//	.  good              x  taken apart, nothing came    f  failed as a whole
//	?  never asked for   y  taken apart, a sector came   s  the drive stalled in it
//	h  half failed alone, the other half failed with the whole
//	n  half failed alone, the other half was never asked for
func row(letters string) Task {
	const block = 4
	t := Task{Disc: Disc{Written: sector.Of(sector.Span(0, int64(len(letters))*block)), Block: block, Largest: 4 * block}}
	var past Past
	for i, c := range letters {
		first := sector.LBA(i * block)
		add := func(n int64, result mapfile.Result, alone bool) {
			past.Runs = append(past.Runs, mapfile.Run{Range: sector.Span(first, n), Result: result, Alone: alone})
			if result == mapfile.Delivered {
				t.Good.Add(sector.Span(first, n))
			}
			first += sector.LBA(n)
		}
		switch c {
		case '.':
			add(block, mapfile.Delivered, false)
		case 'x':
			add(block, mapfile.Failed, true)
		case 'y':
			add(block-1, mapfile.Failed, true)
			add(1, mapfile.Delivered, true)
		case 'f':
			add(block, mapfile.Failed, false)
		case 's':
			add(block, mapfile.Stalled, false)
		case 'h':
			add(block/2, mapfile.Failed, true)
			add(block/2, mapfile.Failed, false)
		case 'n':
			add(block/2, mapfile.Failed, true)
		}
	}
	t.History = []Past{past}
	return t
}

// TestParts: which blocks of a row are taken apart, in what order, if a sector of
// each comes except of those marked dead.
func TestParts(t *testing.T) {
	for _, c := range []struct {
		name    string
		letters string
		dead    string // x: below a block of which nothing comes
		want    []int  // blocks in the order in which they are taken apart
		why     string // a part of the reason why it ended
	}{
		{"ends first, then inner blocks",
			"fffff..f.ff",
			"           ", []int{0, 4, 7, 9, 10, 1, 2, 3}, "everything missing was asked for"},
		{"isolated blocks behind ten dead ones",
			"ffffffffff..f.f.f.f.f.f.f.f.f",
			"xxxxxxxxxx                   ", []int{0, 9, 12, 14, 16, 18, 20, 22, 24, 26, 28, 1, 2, 3, 4, 5, 6, 7, 8}, "everything missing"},
		{"eight inner blocks that yield nothing end it",
			"ffffffffffff.f",
			" xxxxxxxx     ", []int{0, 11, 13, 1, 2, 3, 4, 5, 6, 7, 8}, "8 blocks running yielded nothing"},
		{"the count begins anew with the inner blocks",
			"f.f.ffffffffff",
			"x x xxxxx    x", []int{0, 2, 4, 13, 5, 6, 7, 8, 9, 10, 11, 12}, "everything missing"},
		{"eight ends that yield nothing end all of it",
			"fff.fff.fff.fff.fff",
			"x x x x x x x x   x", []int{0, 2, 4, 6, 8, 10, 12, 14}, "8 blocks running yielded nothing"},
		{"also where they are the last",
			"f.fff.fff.fff.fff",
			"  x x x x x x x x", []int{0, 2, 4, 6, 8, 10, 12, 14, 16}, "8 blocks running yielded nothing"},
		{"and where no inner block is left then",
			"f.f.f.f.f.f.f.f.f",
			"  x x x x x x x x", []int{0, 2, 4, 6, 8, 10, 12, 14, 16}, "everything missing was asked for"},
		{"blocks of earlier passes count among the ends",
			"x.x.x.x.x.xff.f.f",
			"           xx x x", []int{12, 14}, "8 blocks running yielded nothing"},
		{"they end the ends though none of them is left to ask for",
			"x.x.x.x.x.x.fffffx",
			"            x    ", []int{12}, "8 blocks running yielded nothing"},
		{"they do not where the one behind them yielded",
			"x.x.x.x.x.x.x.y.xfx",
			"                 x ", []int{17}, "everything missing"},
		{"a run keeps its ends though they were taken apart",
			"xfffx.f",
			"       ", []int{6, 1, 2, 3}, "everything missing"},
		{"and though the drive stalled in them",
			"sfffs.fsf",
			"         ", []int{6, 8, 1, 2, 3}, "everything missing"},
		{"blocks in which the drive stalled do not count",
			"f.s.f.f.f.f.f.f.f.f",
			"x   x x x x x x   x", []int{0, 4, 6, 8, 10, 12, 14, 16, 18}, "everything missing"},
	} {
		task := row(c.letters)
		p := New(task)
		var got []int
		var inside []bool
		for q, step := p.Next(); step == Ask; q, step = p.Next() {
			b := int(q.Range.First / 4)
			if n := len(got); n == 0 || got[n-1] != b {
				got = append(got, b)
				inside = append(inside, q.Why == whyInner)
			}
			o := Outcome{Request: q, Failed: 1, Result: mapfile.Failed}
			if q.Range.First%4 == 2 && c.dead[b] != 'x' {
				o.Good, o.Failed = 1, 0
			}
			p.Note(o)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: took apart %v; want %v", c.name, got, c.want)
		}
		if why := p.End().Why; !strings.Contains(why, c.why) {
			t.Errorf("%s: End().Why = %q; want %q", c.name, why, c.why)
		}
		for i, b := range got {
			bad := func(b int) bool { return b >= 0 && b < len(c.letters) && c.letters[b] != '.' }
			if want := bad(b-1) && bad(b+1); inside[i] != want {
				t.Errorf("%s: block %d is inside damage: %v; want %v", c.name, b, inside[i], want)
			}
		}
	}
}

// TestReach: which blocks of a row ToAsk holds something of.
func TestReach(t *testing.T) {
	for _, c := range []struct{ name, letters, want string }{
		{"eight ends yielded nothing",
			"x.x.x.x.x.x.x.x.fff",
			"                   "},
		{"runs of two have two ends each",
			"xx.xx.xx.xx.f",
			"             "},
		{"eight in a row are two ends and six inner blocks",
			"xxxxxxxx.fff",
			"         fff"},
		{"seven ends yielded nothing",
			"x.x.x.x.x.x.x.fff",
			"              fff"},
		{"the fourth of eight yielded something",
			"x.x.x.y.x.x.x.x.fff",
			"                fff"},
		{"the last of them did",
			"x.x.x.x.x.x.x.y.fff",
			"                fff"},
		{"the one behind them did",
			"x.x.x.x.x.x.x.x.y.fff",
			"                     "},
		{"an end before them failed",
			"fff.x.x.x.x.x.x.x.x.fff",
			"f f                    "},
		{"an end among them failed",
			"x.x.x.x.fff.x.x.x.x.fff",
			"        fff         fff"},
		{"an end among them is half taken apart",
			"x.x.x.x.h.x.x.x.x.fff",
			"        h         fff"},
		{"an end among them was half asked for",
			"x.x.x.x.n.x.x.x.x.fff",
			"        n         fff"},
		{"a block among them was not asked for",
			"x.x.x.x..?..x.x.x.x.fff",
			"         ?          fff"},
		{"a block beside one of them was not, and may make it an inner one",
			"x.x.x.x.x?x.x.x.x.fff",
			"         ?        fff"},
		{"a block beside the last of them was not",
			"x.x.x.x.x.x.xx?.fff",
			"              ? fff"},
		{"a block beside the first of them was not",
			"?xx.x.x.x.x.x.x.fff",
			"?               fff"},
		{"a block beside one behind them was not",
			"x.x.x.x.x.x.x.x..?fff",
			"                 ?   "},
		{"a stalled block among them says nothing",
			"x.x.x.x.s.x.x.x.x.fff",
			"                     "},
		{"eight inner blocks yielded nothing",
			"yxxxxxxxxffx.fff",
			"             f f"},
		{"seven did",
			"yxxxxxxxfffx.fff",
			"        fff  fff"},
		{"eight with one between them that did not",
			"yxxxxyxxxxffx.fff",
			"          ff  fff"},
		{"with one between them that failed",
			"yxxxxfxxxxffx.fff",
			"     f    ff  fff"},
		{"the ends between them do not count",
			"yxxxxx.xxxxffx.fff",
			"           ff  fff"},
		{"but the inner blocks of several runs do",
			"yxxxxx.xxxxxxx.fff",
			"               f f"},
		{"ends yield nothing, inner blocks would not be come to",
			"xffx.xffx.xffx.xffx.fff",
			"                       "},
	} {
		task := row(c.letters)
		got := ToAsk(task)
		blocks := []byte(strings.Repeat(" ", len(c.letters)))
		for i := range blocks {
			if got.Overlaps(sector.Span(sector.LBA(4*i), 4)) {
				blocks[i] = c.letters[i]
			}
		}
		if string(blocks) != c.want {
			t.Errorf("%s: of\n%q\n%q is to be asked for; want\n%q", c.name, c.letters, blocks, c.want)
		}
		if left := New(task).Left(); left != got.Count() {
			t.Errorf("%s: Left() = %d; want %d", c.name, left, got.Count())
		}
	}
}
