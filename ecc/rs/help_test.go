package rs

import (
	"math/rand/v2"
	"testing"
)

// source is random bytes and numbers, the same at every run.
type source struct{ *rand.Rand }

func rng(seed uint64) source { return source{rand.New(rand.NewPCG(seed, 0x51))} }

func (r source) fill(p []byte) {
	for i := range p {
		p[i] = byte(r.Uint32())
	}
}

// hit makes count different symbols of the word wrong, none of those in spared,
// and returns where.
func (r source) hit(word []byte, count int, spared []int) []int {
	taken := make(map[int]bool)
	for _, p := range spared {
		taken[p] = true
	}
	var at []int
	for len(at) < count {
		if p := r.IntN(len(word)); !taken[p] {
			taken[p] = true
			word[p] ^= byte(1 + r.IntN(255))
			at = append(at, p)
		}
	}
	return at
}

func mustNew(t testing.TB, n, k, first int) *Code {
	t.Helper()
	c, err := New(n, k, first)
	if err != nil {
		t.Fatalf("New(%d, %d, %d) = %v; want a code", n, k, first, err)
	}
	return c
}

// randomWord is a code word of random data.
func randomWord(r source, c *Code) []byte {
	word := make([]byte, c.N())
	r.fill(word)
	if err := c.Encode(word); err != nil {
		panic(err) // its length is the code's own
	}
	return word
}

// mustColumns is the columns of a matrix whose rows lie one behind another.
func mustColumns(t testing.TB, c *Code, width int) *Columns {
	t.Helper()
	x, err := c.NewColumns(width, plainRows(c, width))
	if err != nil {
		t.Fatalf("NewColumns(%d, …) = %v; want columns", width, err)
	}
	return x
}

func plainRows(c *Code, width int) []int {
	rows := make([]int, c.N())
	for i := range rows {
		rows[i] = i * width
	}
	return rows
}
