package rs

import (
	"bytes"
	"errors"
	"math"
	"slices"
	"testing"
)

// column is one column of a matrix as a word.
func column(m []byte, rows []int, col int) []byte {
	word := make([]byte, len(rows))
	for i, r := range rows {
		word[i] = m[r+col]
	}
	return word
}

// layouts are ways in which a matrix's rows lie: one behind another, backwards,
// and with gaps.
func layouts(c *Code, width int) map[string][]int {
	plain := plainRows(c, width)
	back, gaps := slices.Clone(plain), plainRows(c, width+3)
	slices.Reverse(back)
	return map[string][]int{"plain": plain, "backwards": back, "gaps": gaps}
}

// TestColumnsAreWords holds the columns against the same columns taken one by
// one by the Decoder, for all damage from none to hopeless.
func TestColumnsAreWords(t *testing.T) {
	for _, s := range shapes {
		if s.n-s.k > quickMax {
			continue
		}
		c := mustNew(t, s.n, s.k, s.first)
		const width = 19
		for name, rows := range layouts(c, width) {
			x, err := c.NewColumns(width, rows)
			if err != nil {
				t.Fatalf("%v, %s: NewColumns = %v", s, name, err)
			}
			r := rng(uint64(s.n))
			m := make([]byte, slices.Max(rows)+width)
			r.fill(m)
			gap := bytes.Clone(m)
			if err := x.Encode(m); err != nil {
				t.Fatal(err)
			}
			for i := range m { // what belongs to no row of checks stays
				own := slices.ContainsFunc(rows[s.k:], func(r int) bool { return i >= r && i < r+width })
				if !own && m[i] != gap[i] {
					t.Fatalf("%v, %s: Encode changed byte %d", s, name, i)
				}
			}
			if ok, err := x.Check(m); !ok || err != nil {
				t.Fatalf("%v, %s: Check after Encode = %v, %v; want true", s, name, ok, err)
			}
			erased := r.Perm(s.n)[:min(s.n, s.n-s.k)/2]
			hurt := bytes.Clone(m)
			for col := range width {
				for _, p := range append(slices.Clone(erased), r.Perm(s.n)[:min(s.n, col)/2]...) {
					hurt[rows[p]+col] ^= byte(col * 7)
				}
			}
			checkDecode(t, c, x, hurt, rows, erased)
			checkDecode(t, c, x, hurt, rows, nil)
		}
	}
}

func checkDecode(t *testing.T, c *Code, x *Columns, hurt []byte, rows, erased []int) {
	t.Helper()
	got := bytes.Clone(hurt)
	if len(erased) == 0 && len(rows) > 2 {
		if ok, err := x.Check(got); ok || err != nil {
			t.Fatalf("Check of a damaged matrix = %v, %v; want false", ok, err)
		}
	}
	res, err := x.Decode(got, erased)
	if err != nil {
		t.Fatal(err)
	}
	d, count := c.NewDecoder(), make(map[Verdict]int)
	changed := make([]int, c.n)
	for col := range x.width {
		word := column(hurt, rows, col)
		one, err := d.Decode(word, erased)
		if err != nil {
			t.Fatal(err)
		}
		count[one.Verdict]++
		for _, p := range one.At {
			changed[p]++
		}
		if after := column(got, rows, col); !bytes.Equal(after, word) {
			t.Fatalf("(%d, %d): column %d = %x; want %x, %v", c.n, c.k, col, after, word, one.Verdict)
		}
	}
	if res.Clean != count[Clean] || res.Corrected != count[Corrected] ||
		res.Uncorrectable != count[Uncorrectable] || !slices.Equal(res.Changed, changed) {
		t.Fatalf("(%d, %d): Decode = %+v; want %v, %v", c.n, c.k, res, count, changed)
	}
}

func TestNoSuchColumns(t *testing.T) {
	c := mustNew(t, 4, 2, 0)
	for _, v := range []struct {
		width int
		rows  []int
	}{
		{0, []int{0, 1, 2, 3}}, {-1, []int{0, 1, 2, 3}}, {2, nil}, {2, []int{0, 2, 4}}, {2, []int{0, 2, 4, 6, 8}},
		{2, []int{0, 2, 4, 5}}, {2, []int{-2, 0, 2, 4}}, {2, []int{0, 0, 2, 4}}, {2, []int{6, 4, 2, 1}},
		{math.MaxInt, []int{0, 1, 2, 3}}, {5, []int{0, 5, 10, math.MaxInt}}, {5, []int{0, 5, 10, math.MinInt}},
	} {
		if x, err := c.NewColumns(v.width, v.rows); !errors.Is(err, ErrLength) || x != nil {
			t.Errorf("NewColumns(%d, %v) = %v, %v; want ErrLength", v.width, v.rows, x, err)
		}
	}
	big := mustNew(t, 40, 23, 0)
	if _, err := big.NewColumns(1, plainRows(big, 1)); !errors.Is(err, ErrCode) {
		t.Errorf("NewColumns of a code of 17 check symbols = %v; want ErrCode", err)
	}
}

func TestWrongMatrix(t *testing.T) {
	c := mustNew(t, 4, 2, 0)
	x := mustColumns(t, c, 3)
	for _, n := range []int{0, 1, 11} {
		m := make([]byte, n)
		err := x.Encode(m)
		ok, err2 := x.Check(m)
		_, err3 := x.Decode(m, nil)
		if !errors.Is(err, ErrLength) || !errors.Is(err2, ErrLength) || ok || !errors.Is(err3, ErrLength) {
			t.Errorf("Encode, Check, Decode of %d bytes = %v, %v, %v; want ErrLength", n, err, err2, err3)
		}
	}
	for _, e := range [][]int{{-1}, {4}, {1, 1}} {
		if _, err := x.Decode(make([]byte, 12), e); !errors.Is(err, ErrErasure) {
			t.Errorf("Decode(…, %v) = %v; want ErrErasure", e, err)
		}
	}
}

func TestColumnsAllocateNothing(t *testing.T) {
	c := mustNew(t, 208, 192, 0)
	const width = 182
	x, m, erased := mustColumns(t, c, width), make([]byte, 208*width), []int{40}
	if n := testing.AllocsPerRun(5, func() {
		for i := range width {
			m[40*width+i] ^= 1
		}
		if res, err := x.Decode(m, erased); err != nil || res.Corrected != width {
			t.Fatal(res, err)
		}
		if err := x.Encode(m); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations a matrix; want none", n)
	}
}
