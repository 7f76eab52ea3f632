package rs

import (
	"bytes"
	"fmt"
	"slices"
	"testing"
)

// compare decodes with the package and with the slow decoder, and holds one
// against the other. It returns the result and the word after it.
func compare(t *testing.T, c *Code, d *Decoder, word []byte, erasures []int) (Result, []byte) {
	t.Helper()
	got := bytes.Clone(word)
	res, err := d.Decode(got, erasures)
	if err != nil {
		t.Fatalf("Decode(%x, %v) = %v; want no error", word, erasures, err)
	}
	want, at, verdict := slowDecode(c.n, c.k, c.first, word, erasures)
	if res.Verdict != verdict || !slices.Equal(res.At, at) || !bytes.Equal(got, want) {
		t.Fatalf("(%d, %d, %d): Decode(%x, %v)\n = %v at %v, %x;\nwant %v at %v, %x", c.n, c.k, c.first,
			word, erasures, res.Verdict, res.At, got, verdict, at, want)
	}
	if res.Verdict != Uncorrectable && !c.Check(got) {
		t.Fatalf("(%d, %d, %d): Decode(%x, %v) is %v, but no code word", c.n, c.k, c.first, word, erasures, res.Verdict)
	}
	return res, got
}

// TestAllWithinTheCode puts in every number of errors and erasures that the code
// promises to bear, right erasures among them, and wants the word back exactly.
func TestAllWithinTheCode(t *testing.T) {
	for _, s := range shapes {
		c := mustNew(t, s.n, s.k, s.first)
		d, r := c.NewDecoder(), rng(uint64(s.n*1000+s.k))
		checks := s.n - s.k
		step := max(1, checks/3) // the slow decoder takes the cube of it
		if checks <= 20 {
			step = 1
		}
		for f := 0; f <= checks; f += step {
			for e := 0; 2*e+f <= checks; e += step {
				word := randomWord(r, c)
				hurt := bytes.Clone(word)
				erased := r.hit(hurt, f, nil)
				wrong := append(slices.Clone(erased), r.hit(hurt, e, erased)...)
				if f > 1 { // an erased symbol may be right
					hurt[erased[0]] = word[erased[0]]
					wrong = wrong[1:]
				}
				slices.Sort(wrong)
				res, got := compare(t, c, d, hurt, erased)
				want := Corrected
				if len(wrong) == 0 {
					want = Clean
				}
				if res.Verdict != want || !slices.Equal(res.At, wrong) || !bytes.Equal(got, word) {
					t.Fatalf("%v, %d errors, %d erasures: %v at %v; want %v at %v, the word as it was",
						s, e, f, res.Verdict, res.At, want, wrong)
				}
			}
		}
	}
}

// TestBeyondTheCode puts in more. What comes of it is chance, but the same
// chance by both ways, and never a word that is none.
func TestBeyondTheCode(t *testing.T) {
	seen := make(map[Verdict]int)
	for _, s := range shapes {
		c := mustNew(t, s.n, s.k, s.first)
		d, r := c.NewDecoder(), rng(uint64(s.n*1000+s.k))
		checks := s.n - s.k
		rounds := 40
		if checks > 40 {
			rounds = 3
		}
		for range rounds {
			hurt := randomWord(r, c)
			f := r.IntN(min(s.n, checks+2) + 1)
			e := r.IntN(s.n - f + 1)
			if r.IntN(2) == 0 {
				e = min(s.n-f, max(0, checks-f)/2+1)
			}
			erased := r.hit(hurt, f, nil)
			r.hit(hurt, e, erased)
			res, _ := compare(t, c, d, hurt, erased)
			seen[res.Verdict]++
		}
	}
	for _, v := range []Verdict{Clean, Corrected, Uncorrectable} {
		if seen[v] == 0 {
			t.Errorf("no word came out %v (%v); the test has lost its range", v, seen)
		}
	}
}

// TestEveryPlace makes each symbol wrong and each erased, alone and with its
// neighbour: the ends of the word are where indices go astray.
func TestEveryPlace(t *testing.T) {
	for _, s := range shapes {
		if s.n-s.k < 3 || s.n-s.k > 20 {
			continue
		}
		c := mustNew(t, s.n, s.k, s.first)
		d, word := c.NewDecoder(), randomWord(rng(9), c)
		for p := range s.n {
			q := (p + 1) % s.n
			hurt := bytes.Clone(word)
			hurt[p], hurt[q] = hurt[p]^0x01, hurt[q]^0xFF
			want := []int{min(p, q), max(p, q)}
			for _, erased := range [][]int{{p}, {p, q}, {q, p}} {
				got := bytes.Clone(hurt)
				res, err := d.Decode(got, erased)
				if err != nil || res.Verdict != Corrected || !slices.Equal(res.At, want) || !bytes.Equal(got, word) {
					t.Fatalf("%v: symbols %v wrong, %v erased: %v, %v; want corrected there", s, want, erased, res, err)
				}
			}
		}
	}
}

// TestNearestWordByTrying takes a code so small that all its 65,536 code words
// can be held against words drawn at random. At most one lies as near as the code
// promises to correct; Decode finds that one, and where there is none, none.
func TestNearestWordByTrying(t *testing.T) {
	const n, k = 4, 2
	c := mustNew(t, n, k, 0)
	d, r := c.NewDecoder(), rng(4)
	var words [][n]byte
	for a := range 256 {
		for b := range 256 {
			w := [n]byte{byte(a), byte(b)}
			if err := c.Encode(w[:]); err != nil {
				t.Fatal(err)
			}
			words = append(words, w)
		}
	}
	for range 60 {
		var hurt [n]byte
		r.fill(hurt[:])
		for _, erased := range [][]int{nil, {0}, {3}, {0, 1}, {1, 3}, {0, 1, 2}} {
			var near [][n]byte
			for _, w := range words {
				e := 0
				for p := range w {
					if w[p] != hurt[p] && !slices.Contains(erased, p) {
						e++
					}
				}
				if 2*e+len(erased) <= n-k {
					near = append(near, w)
				}
			}
			got := hurt
			res, err := d.Decode(got[:], erased)
			if err != nil || len(near) > 1 {
				t.Fatalf("Decode(%x, %v) = %v, %v, with %d code words near", hurt, erased, res, err, len(near))
			}
			if len(near) == 1 && got != near[0] || len(near) == 0 && (res.Verdict != Uncorrectable || got != hurt) {
				t.Errorf("Decode(%x, %v) = %v, %x; want %x", hurt, erased, res, got, near)
			}
		}
	}
}

// TestTooManyErasures: a clean word stays clean whatever is said of it, any other
// is beyond help.
func TestTooManyErasures(t *testing.T) {
	c := mustNew(t, 26, 24, 0)
	d, word := c.NewDecoder(), randomWord(rng(5), c)
	erased := make([]int, c.N())
	for i := range erased {
		erased[i] = i
	}
	for _, f := range []int{3, 26} {
		if res, err := d.Decode(word, erased[:f]); err != nil || res.Verdict != Clean {
			t.Errorf("Decode of a code word with %d erasures = %v, %v; want clean", f, res, err)
		}
		hurt := bytes.Clone(word)
		hurt[1] ^= 7
		was := bytes.Clone(hurt)
		if res, err := d.Decode(hurt, erased[:f]); err != nil || res.Verdict != Uncorrectable || !bytes.Equal(hurt, was) {
			t.Errorf("Decode with %d erasures = %v, %v; want uncorrectable, unchanged", f, res, err)
		}
	}
}

// TestShorteningIsNotAPlace: an error that the unshortened code would find in
// the symbols that are not written makes the word uncorrectable.
func TestShorteningIsNotAPlace(t *testing.T) {
	long, short := mustNew(t, 255, 245, 0), mustNew(t, 182, 172, 0)
	word := randomWord(rng(6), short)
	full := append(make([]byte, 255-182), word...)
	if !long.Check(full) {
		t.Fatal("Check of a shortened word behind zeros = false; want true")
	}
	// The word that differs from a code word in an unwritten symbol only.
	full[40] = 0x33
	if err := long.Encode(full); err != nil {
		t.Fatal(err)
	}
	part := bytes.Clone(full[255-182:])
	if res, err := short.NewDecoder().Decode(part, nil); err != nil || res.Verdict != Uncorrectable {
		t.Errorf("Decode = %v, %v; want uncorrectable", res, err)
	}
}

func TestVerdictInWords(t *testing.T) {
	got := fmt.Sprint(Clean, Corrected, Uncorrectable, Verdict(0), Verdict(9))
	if want := "clean corrected uncorrectable verdict 0 verdict 9"; got != want {
		t.Errorf("verdicts = %q; want %q", got, want)
	}
}

func TestNothingIsAllocated(t *testing.T) {
	for _, s := range shapes {
		c := mustNew(t, s.n, s.k, s.first)
		d, word := c.NewDecoder(), randomWord(rng(7), c)
		erased := []int{0}
		if n := testing.AllocsPerRun(10, func() {
			word[0] ^= 5
			if res, err := d.Decode(word, erased); err != nil || res.Verdict != Corrected {
				t.Fatal(res, err)
			}
			if err := c.Encode(word); err != nil || !c.Check(word) {
				t.Fatal(err)
			}
		}); n != 0 {
			t.Errorf("%v: %v allocations a word; want none", s, n)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte{181, 9, 0, 2, 5, 9}, []byte("a word of any kind"))
	f.Add([]byte{207, 15, 0, 16, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16}, []byte{1})
	f.Add([]byte{254, 31, 112, 0}, []byte{})
	f.Add([]byte{1, 0, 254, 1, 1}, []byte{0xFF, 0xFF})
	// shape is n-1, checks-1, first root, number of erasures, then these; dirt is
	// added to the code word of zeros and of a ramp.
	f.Fuzz(func(t *testing.T, shape, dirt []byte) {
		if len(shape) < 4 {
			return
		}
		n, checks, first := int(shape[0])+1, int(shape[1])+1, int(shape[2])
		c, err := New(n, n-checks, first)
		if err != nil {
			return
		}
		var erasures []int
		for _, e := range shape[4:] {
			if len(erasures) < int(shape[3]) && int(e) < n && !slices.Contains(erasures, int(e)) {
				erasures = append(erasures, int(e))
			}
		}
		word := make([]byte, n)
		for i := range n - checks {
			word[i] = byte(i)
		}
		if err := c.Encode(word); err != nil {
			t.Fatal(err)
		}
		for i, b := range dirt[:min(len(dirt), n)] {
			word[i] ^= b
		}
		compare(t, c, c.NewDecoder(), word, erasures)
	})
}
