package sector

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestParseRange(t *testing.T) {
	for _, c := range []struct {
		in   string
		want Range
		err  string // a part of the error; "" where there is none
	}{
		{in: "0", want: Range{0, 1}},
		{in: "4096", want: Range{4096, 4097}},
		{in: "0-0", want: Range{0, 1}},
		{in: "16-31", want: Range{16, 32}},
		{in: "16+16", want: Range{16, 32}},
		{in: "007+1", want: Range{7, 8}},
		{in: "1125899906842624", want: Range{1 << 50, 1<<50 + 1}},
		{in: "1125899906842624+1125899906842624", want: Range{1 << 50, 1 << 51}},
		{in: "0-1125899906842624", want: Range{0, 1<<50 + 1}},
		{in: "", err: "missing"},
		{in: "-", err: "missing"},
		{in: "+", err: "missing"},
		{in: "-5", err: "missing"},
		{in: "5-", err: "missing"},
		{in: "5+", err: "missing"},
		{in: "5+0", err: "no sector"},
		{in: "6-5", err: "before"},
		{in: "1125899906842625", err: "beyond"},
		{in: "99999999999999999999", err: "beyond"},
		{in: "1-99999999999999999999", err: "beyond"},
		{in: "1-2-3", err: "not a sector number"},
		{in: "1+2+3", err: "not a sector number"},
		{in: "1--2", err: "not a sector number"},
		{in: " 1", err: "not a sector number"},
		{in: "1 ", err: "not a sector number"},
		{in: "0x10", err: "not a sector number"},
		{in: "1_000", err: "not a sector number"},
		{in: "1e3", err: "not a sector number"},
		{in: "٣", err: "not a sector number"},
		{in: "5\x00", err: "not a sector number"},
	} {
		got, err := ParseRange(c.in)
		if got != c.want {
			t.Errorf("ParseRange(%q) = %v; want %v", c.in, got, c.want)
		}
		switch {
		case c.err == "" && err != nil:
			t.Errorf("ParseRange(%q): error %q; want none", c.in, err)
		case c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err)):
			t.Errorf("ParseRange(%q): error %v; want one with %q", c.in, err, c.err)
		}
	}
}

func FuzzParseRange(f *testing.F) {
	for _, s := range []string{"", "7", "16-31", "16+16", "5+0", "6-5", "+", "1125899906842624+1125899906842624", "1-2-3", "٣"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := ParseRange(s)
		if err != nil {
			if r != (Range{}) {
				t.Errorf("ParseRange(%q) = %v with an error; want the zero Range", s, r)
			}
			return
		}
		if r.Empty() || r.First < 0 || r.End > 1<<51 || r.End.Offset() < 0 {
			t.Fatalf("ParseRange(%q) = %v: empty or out of bounds", s, r)
		}
		// What it read, written by String, reads as the same range again.
		if r.First <= maxLBA && r.Count() <= maxLBA {
			if again, err := ParseRange(r.String()); again != r || err != nil {
				t.Errorf("ParseRange(%q) = %v, %v; want %v", r.String(), again, err, r)
			}
		}
	})
}

func TestRangeText(t *testing.T) {
	for _, r := range []Range{{}, {5, 5}, {0, 1}, {16, 32}, {1 << 50, 1<<50 + 16}} {
		text, err := json.Marshal(r)
		if err != nil {
			t.Fatalf("Marshal(%v): %v", r, err)
		}
		var got Range
		if err := json.Unmarshal(text, &got); err != nil || got != r {
			t.Errorf("Unmarshal(%s) = %v, %v; want %v", text, got, err, r)
		}
	}
	kept := Range{3, 4}
	if err := kept.UnmarshalText([]byte("6-5")); err == nil || kept != (Range{3, 4}) {
		t.Errorf("UnmarshalText(6-5) = %v, left %v; want an error and 3+1 left alone", err, kept)
	}
}

// TestRange compares every method with a count over single addresses.
func TestRange(t *testing.T) {
	const top = 9
	holds := func(r Range, a LBA) bool { return a >= r.First && a < r.End }
	for first := LBA(0); first < top; first++ {
		for end := LBA(0); end < top; end++ {
			r := Range{first, end}
			var n int64
			for a := LBA(-1); a <= top; a++ {
				if holds(r, a) {
					n++
				}
				if r.Contains(a) != holds(r, a) {
					t.Errorf("%v.Contains(%d) = %v", r, a, r.Contains(a))
				}
			}
			if r.Count() != n || r.Bytes() != n*2048 || r.Empty() != (n == 0) {
				t.Errorf("%v: Count, Bytes, Empty = %d, %d, %v; want %d sectors", r, r.Count(), r.Bytes(), r.Empty(), n)
			}
			checkBlocks(t, r)
			for first := LBA(0); first < top; first++ {
				for end := LBA(0); end < top; end++ {
					checkPair(t, r, Range{first, end}, top)
				}
			}
		}
	}
}

func checkPair(t *testing.T, r, o Range, top LBA) {
	t.Helper()
	both := r.Intersect(o)
	var shared, others int64
	for a := LBA(0); a < top; a++ {
		in := r.Contains(a) && o.Contains(a)
		if both.Contains(a) != in {
			t.Errorf("%v.Intersect(%v) = %v, wrong at %d", r, o, both, a)
		}
		if in {
			shared++
		}
		if o.Contains(a) {
			others++
		}
	}
	if shared == 0 && both != (Range{}) {
		t.Errorf("%v.Intersect(%v) = %v; want the zero Range", r, o, both)
	}
	if r.Overlaps(o) != (shared > 0) {
		t.Errorf("%v.Overlaps(%v) = %v; want %v", r, o, r.Overlaps(o), shared > 0)
	}
	if r.Covers(o) != (shared == others) {
		t.Errorf("%v.Covers(%v) = %v; want %v", r, o, r.Covers(o), shared == others)
	}
}

func checkBlocks(t *testing.T, r Range) {
	t.Helper()
	for _, n := range []int64{-1, 0, 1, 2, 3, 16} {
		got, size := r.Blocks(n), LBA(max(1, n))
		if r.Empty() {
			if got != (Range{}) {
				t.Errorf("%v.Blocks(%d) = %v; want the zero Range", r, n, got)
			}
			continue
		}
		if got.First%size != 0 || got.End%size != 0 || !got.Covers(r) ||
			got.First+size <= r.First || got.End-size >= r.End {
			t.Errorf("%v.Blocks(%d) = %v; want the smallest whole blocks around it", r, n, got)
		}
	}
}

func TestSpan(t *testing.T) {
	for _, c := range []struct {
		first LBA
		n     int64
		text  string
		bytes int64
	}{
		{0, 0, "0+0", 0},
		{7, -3, "7+0", 0},
		{4096, 16, "4096+16", 32768},
		{1 << 50, 1 << 50, "1125899906842624+1125899906842624", 1 << 61},
	} {
		r := Span(c.first, c.n)
		if r.String() != c.text || r.Bytes() != c.bytes || r.Empty() != (c.bytes == 0) {
			t.Errorf("Span(%d, %d) = %v, %d bytes; want %s, %d bytes", c.first, c.n, r, r.Bytes(), c.text, c.bytes)
		}
	}
	if got := LBA(3).Offset(); got != 6144 {
		t.Errorf("LBA(3).Offset() = %d; want 6144", got)
	}
}
