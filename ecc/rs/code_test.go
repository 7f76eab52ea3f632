package rs

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math"
	"testing"
)

// shapes is the codes of the discs and codes around every place where the
// package's ways part: one check symbol, an odd number, a few less and more than
// fit into a word or two of the machine, lengths not divisible by four, the most
// of everything, other first roots.
var shapes = []struct{ n, k, first int }{
	{6, 4, 0}, {26, 24, 0}, {45, 43, 0}, {182, 172, 0}, {208, 192, 0},
	{2, 1, 0}, {2, 1, 254}, {3, 1, 1}, {5, 1, 0}, {7, 4, 2}, {9, 1, 0}, {10, 1, 3}, {12, 3, 0},
	{17, 2, 0}, {18, 1, 120}, {20, 4, 1}, {21, 4, 0}, {34, 17, 112}, {40, 7, 0},
	{255, 254, 0}, {255, 239, 1}, {255, 238, 0}, {255, 223, 112}, {255, 1, 0}, {254, 4, 7},
}

func fromHex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestGenerators compares with generators that two libraries gave (libfec
// 1.0-26 and gozxing 0.1.1).
func TestGenerators(t *testing.T) {
	for _, v := range []struct {
		n, k int
		want string
	}{
		{6, 4, "010302"},
		{182, 172, "01d8c29f6fc75e5f719dc1"},
		{208, 192, "013b0d68bd44d11e08a34129e56232243b"},
	} {
		if got := mustNew(t, v.n, v.k, 0).Generator(); !bytes.Equal(got, fromHex(t, v.want)) {
			t.Errorf("New(%d, %d, 0).Generator() = %x; want %s", v.n, v.k, got, v.want)
		}
	}
}

// TestEncodeVectors compares with check symbols that the same two libraries
// gave for the data 00 01 02 ….
func TestEncodeVectors(t *testing.T) {
	for _, v := range []struct {
		n, k int
		want string
	}{
		{182, 172, "dd27987cc8364d8b2402"},
		{208, 192, "f838ebd0e98eb102d143e465863671fd"},
	} {
		word := make([]byte, v.n)
		for i := range v.k {
			word[i] = byte(i)
		}
		if err := mustNew(t, v.n, v.k, 0).Encode(word); err != nil || !bytes.Equal(word[v.k:], fromHex(t, v.want)) {
			t.Errorf("Encode(00 01 …) of (%d, %d) = %x, %v; want %s", v.n, v.k, word[v.k:], err, v.want)
		}
	}
}

func TestEncodeIsTheRemainderByTheGenerator(t *testing.T) {
	for _, s := range shapes {
		c := mustNew(t, s.n, s.k, s.first)
		for seed := range uint64(4) {
			word := randomWord(rng(seed), c)
			if want := slowEncode(s.n, s.k, s.first, word[:s.k]); !bytes.Equal(word, want) {
				t.Fatalf("%v: Encode = %x; want %x", s, word, want)
			}
			if syn := slowSyndromes(word, s.n-s.k, s.first); !allZero(syn) {
				t.Fatalf("%v: syndromes of an encoded word = %x; want zeros", s, syn)
			}
			if !c.Check(word) {
				t.Fatalf("%v: Check of an encoded word = false; want true", s)
			}
			for p := range word {
				word[p] ^= 0x80
				if c.Check(word) {
					t.Fatalf("%v: Check with symbol %d wrong = true; want false", s, p)
				}
				word[p] ^= 0x80
			}
		}
	}
}

func TestNumbers(t *testing.T) {
	c := mustNew(t, 182, 172, 0)
	if c.N() != 182 || c.K() != 172 || c.Checks() != 10 {
		t.Errorf("N, K, Checks = %d, %d, %d; want 182, 172, 10", c.N(), c.K(), c.Checks())
	}
}

func TestNoSuchCode(t *testing.T) {
	for _, s := range []struct{ n, k, first int }{
		{0, 0, 0}, {1, 0, 0}, {1, 1, 0}, {5, 5, 0}, {5, 6, 0}, {5, -1, 0}, {256, 255, 0}, {256, 2, 0},
		{10, 5, -1}, {10, 5, 255}, {math.MaxInt, 1, 0}, {math.MinInt, math.MinInt, 0}, {10, 5, math.MaxInt},
	} {
		if c, err := New(s.n, s.k, s.first); !errors.Is(err, ErrCode) || c != nil {
			t.Errorf("New(%d, %d, %d) = %v, %v; want ErrCode", s.n, s.k, s.first, c, err)
		}
	}
}

func TestWrongLength(t *testing.T) {
	c := mustNew(t, 26, 24, 0)
	d := c.NewDecoder()
	for _, n := range []int{0, 1, 24, 25, 27, 255, 1000} {
		word := make([]byte, n)
		if err := c.Encode(word); !errors.Is(err, ErrLength) {
			t.Errorf("Encode of %d bytes = %v; want ErrLength", n, err)
		}
		if _, err := d.Decode(word, nil); !errors.Is(err, ErrLength) {
			t.Errorf("Decode of %d bytes = %v; want ErrLength", n, err)
		}
		if c.Check(word) {
			t.Errorf("Check of %d zero bytes = true; want false", n)
		}
	}
}

func TestWrongErasures(t *testing.T) {
	c := mustNew(t, 26, 20, 0)
	d := c.NewDecoder()
	for _, e := range [][]int{{-1}, {26}, {3, 3}, {0, 1, 0}, {math.MaxInt}, {math.MinInt}} {
		word := randomWord(rng(3), c)
		word[0] ^= 1
		was := bytes.Clone(word)
		if _, err := d.Decode(word, e); !errors.Is(err, ErrErasure) || !bytes.Equal(word, was) {
			t.Errorf("Decode(…, %v) = %v, word changed: %v; want ErrErasure, unchanged", e, err, !bytes.Equal(word, was))
		}
	}
	// A refusal leaves nothing behind.
	word := randomWord(rng(3), c)
	word[0] ^= 1
	if res, err := d.Decode(word, nil); err != nil || res.Verdict != Corrected {
		t.Errorf("Decode after a refusal = %v, %v; want corrected", res, err)
	}
}
