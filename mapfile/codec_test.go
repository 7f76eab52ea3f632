package mapfile

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"turnstone/device/sector"
)

func TestMask(t *testing.T) {
	for _, test := range []struct {
		from, end, count int
		first, behind    int // of the first run
	}{
		{0, 128, 128, 0, 128}, {0, 0, 0, 128, 128}, {5, 5, 0, 128, 128}, {0, 1, 1, 0, 1}, {127, 128, 1, 127, 128},
		{63, 65, 2, 63, 65}, {64, 128, 64, 64, 128}, {0, 64, 64, 0, 64}, {70, 60, 0, 128, 128}, {10, 100, 90, 10, 100},
	} {
		m := maskOf(test.from, test.end)
		from, end := m.next(0)
		if m.count() != test.count || from != test.first || end != test.behind {
			t.Errorf("maskOf(%d, %d) = %x, count %d, first run %d to %d; want %d, %d to %d",
				test.from, test.end, m, m.count(), from, end, test.count, test.first, test.behind)
		}
		for i := range pageSectors {
			if want := test.from <= i && i < test.end; m.has(i) != want {
				t.Errorf("maskOf(%d, %d).has(%d) = %v; want %v", test.from, test.end, i, m.has(i), want)
			}
		}
	}
}

// TestWorstPieces encodes what is longest: as many kinds as there can be.
func TestWorstPieces(t *testing.T) {
	var pieces []piece
	for i := range runSectors {
		pieces = append(pieces, piece{1, uint32(fateOf(Run{Result: Failed, Attempts: uint8(i), Took: TimeClass(i / 256)}))})
	}
	b := appendPieces(nil, pieces)
	got, err := decodePieces(nil, b, runSectors, validFate)
	if err != nil || !slices.Equal(got, pieces) {
		t.Errorf("%d kinds come back as %d pieces, %v", len(pieces), len(got), err)
	}
	if len(b) > runSectors*6+2 {
		t.Errorf("%d bytes for %d kinds; want at most 6 for each", len(b), runSectors)
	}
}

// TestAlternating holds the length of what the worst disc makes: every second
// sector fares otherwise.
func TestAlternating(t *testing.T) {
	var pieces []piece
	for range runSectors / 2 {
		pieces = append(pieces, piece{1, uint32(fateOf(Run{Result: Delivered}))}, piece{1, uint32(fateOf(Run{Result: Failed}))})
	}
	if b := appendPieces(nil, pieces); len(b) > 16 {
		t.Errorf("%d bytes for alternating sectors; want at most 16", len(b))
	}
}

func FuzzPieces(f *testing.F) {
	rng := rand.New(rand.NewPCG(1, 5))
	for range 20 {
		var page runPage
		for range rng.IntN(12) {
			r := randomRun(rng, runSectors, 2)
			for a := r.Range.First; a < r.Range.End; a++ {
				page[a] = fateOf(r)
			}
		}
		f.Add(appendPieces(nil, page.pieces(nil)))
	}
	f.Add([]byte{2, 1, 0, 0, 0, 2, 0, 0, 0, 1, 2, 0xFF, 0x07}) // two kinds, then repeated
	f.Fuzz(func(t *testing.T, b []byte) {
		pieces, err := decodePieces(nil, b, runSectors, validFate)
		if err != nil {
			return
		}
		sum := 0
		for i, p := range pieces {
			sum += p.n
			if p.n < 1 || i > 0 && pieces[i-1].what == p.what {
				t.Fatalf("%x gives pieces %v", b, pieces)
			}
		}
		if sum > runSectors {
			t.Fatalf("%x gives %d sectors", b, sum)
		}
		short := appendPieces(nil, pieces)
		again, err := decodePieces(nil, short, runSectors, validFate)
		if err != nil || !slices.Equal(again, pieces) || len(short) > len(b) {
			t.Fatalf("%x gives %v, encoded %x, which gives %v, %v", b, pieces, short, again, err)
		}
		var page runPage
		page.set(pieces)
		if back := page.pieces(nil); !slices.Equal(back, pieces) {
			t.Fatalf("a page of %v gives %v", pieces, back)
		}
	})
}

func FuzzPage(f *testing.F) {
	rng := rand.New(rand.NewPCG(1, 6))
	for n := range 12 {
		p := new(page)
		for i := range n {
			m := maskOf(rng.IntN(100), 128).andNot(p.good)
			p.win(m, uint16(i%3), sumsOf(sector.Span(0, pageSectors), uint32(i)), 0)
			if rng.IntN(2) == 0 {
				p.lose(p.good.scan(0, 0))
			}
			p.bad = maskOf(0, 20).andNot(p.good)
		}
		f.Add(appendPage(nil, p))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := decodePage(b)
		if err != nil {
			return
		}
		if !p.good.and(p.bad).empty() || len(p.sums) != sumBytes*p.good.count() {
			t.Fatalf("%x gives %+v", b, p)
		}
		short := appendPage(nil, &p)
		again, err := decodePage(short)
		if err != nil || !reflect.DeepEqual(p, again) || len(short) > len(b) {
			t.Fatalf("%x gives %+v, encoded %x, which gives %+v, %v", b, p, short, again, err)
		}
	})
}

func FuzzConflicts(f *testing.F) {
	f.Add(appendConflicts(nil, []other{{1, 0, 3, against}, {2, 0, 3, undecided}, {1, 500, 3, chosen}, {9, 1, 127, undecided}}))
	f.Add([]byte{128, 0, 1, 2, 3, 4})
	f.Fuzz(func(t *testing.T, b []byte) {
		list, err := decodeConflicts(b)
		if err != nil {
			return
		}
		if !slices.IsSortedFunc(list, compareOthers) {
			t.Fatalf("%x gives %v", b, list)
		}
		if same := appendConflicts(nil, list); !bytes.Equal(same, b) {
			t.Fatalf("%x gives %v, encoded %x", b, list, same)
		}
	})
}

func FuzzEvents(f *testing.F) {
	lines, err := appendEvent(nil, Event{Time: day, Pass: -1, Kind: "stall", Range: sector.Span(9, 16), Took: 5, Text: "no answer"})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(lines, true)
	f.Add([]byte("{}\n"), true)
	f.Add([]byte{3, 0}, false)
	f.Fuzz(func(t *testing.T, b []byte, lines bool) {
		if lines && len(b) <= blockText {
			var err error
			if b, err = pack(b); err != nil {
				t.Fatal(err)
			}
		}
		events, err := decodeEvents(b)
		if err != nil {
			return
		}
		var again []byte
		for _, e := range events {
			if again, err = appendEvent(again, e); err != nil {
				return // a year that JSON lines of ours can't have
			}
		}
		b, err = pack(again)
		if err != nil {
			t.Fatal(err)
		}
		back, err := decodeEvents(b)
		if err != nil && len(again) <= blockText {
			t.Fatalf("%q does not come back: %v", again, err)
		}
		for i := range back {
			if !back[i].Time.Equal(events[i].Time) {
				t.Fatalf("time %v comes back as %v", events[i].Time, back[i].Time)
			}
			back[i].Time = events[i].Time
		}
		if err == nil && !slices.Equal(back, events) {
			t.Fatalf("%v comes back as %v", events, back)
		}
	})
}

func FuzzDisc(f *testing.F) {
	whole := Disc{Kind: "bd", Sectors: 700, BlockSectors: 32, Written: sector.Of(sector.Span(0, 5), sector.Span(64, 600)), Identity: map[string]string{"a": "b"}}
	body, err := json.Marshal(recordOf(whole))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(body)
	f.Add([]byte(`{"sectors":5,"written":[[0,5]],"later":1}`))
	f.Add([]byte(`{"sectors":5,"written":[[0,2],[2,9223372036854775807]]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		d, err := discOf(body)
		if err != nil {
			return
		}
		if err := New("").SetDisc(d); err != nil {
			t.Fatalf("%s is a disc that SetDisc refuses: %v", body, err)
		}
		same, err := json.Marshal(recordOf(d))
		if err != nil {
			t.Fatal(err)
		}
		again, err := discOf(same)
		if err != nil || !reflect.DeepEqual(recordOf(again), recordOf(d)) {
			t.Fatalf("%s comes back as %s, %v", body, same, err)
		}
	})
}

func FuzzHead(f *testing.F) {
	body, err := json.Marshal(head{Major: 1, Case: "c", Seals: 1<<64 - 1})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(body)
	f.Fuzz(func(t *testing.T, body []byte) {
		h, err := decodeJSON[head](body)
		if err != nil {
			return
		}
		same, err := json.Marshal(h)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := decodeJSON[head](same); err != nil || again != h {
			t.Fatalf("%s comes back as %s, %v", body, same, err)
		}
	})
}

// TestUnpackBounds refuses a block that would inflate beyond what a block is.
func TestUnpackBounds(t *testing.T) {
	for n, ok := range map[int]bool{0: true, blockText + lineText: true, blockText + lineText + 1: false, 50 << 20: false} {
		b, err := pack([]byte(strings.Repeat("x", n)))
		if err != nil {
			t.Fatal(err)
		}
		if lines, err := unpack(b); (err == nil) != ok || ok && len(lines) != n {
			t.Errorf("unpack of %d bytes = %d bytes, %v; want ok: %v", n, len(lines), err, ok)
		}
		if _, err := unpack(append(b, 0)); err == nil {
			t.Errorf("unpack of %d bytes with one more behind = nil; want an error", n)
		}
	}
}
