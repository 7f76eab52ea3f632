package rs

import (
	"bytes"
	"fmt"
)

// Verdict is what became of a word.
type Verdict uint8

const (
	// Clean: it came as a code word.
	Clean Verdict = iota + 1
	// Corrected: it is a code word now.
	Corrected
	// Uncorrectable: no code word lies near enough. It was left as it came.
	Uncorrectable
)

var verdictWords = [...]string{Clean: "clean", Corrected: "corrected", Uncorrectable: "uncorrectable"}

// String is the verdict in words.
func (v Verdict) String() string {
	if int(v) < len(verdictWords) && verdictWords[v] != "" {
		return verdictWords[v]
	}
	return fmt.Sprintf("verdict %d", uint8(v))
}

// Result is what Decode did to a word.
type Result struct {
	Verdict Verdict
	// At is the symbols that were changed, in rising order: all that were wrong.
	// An erased symbol that was right isn't among them. The slice is the
	// Decoder's and holds until its next call.
	At []int
}

// Decoder corrects words of one code. It belongs to one goroutine at a time.
type Decoder struct {
	s  solver
	at [MaxN]int
}

// NewDecoder makes a decoder with memory of its own, about 6 KiB.
func (c *Code) NewDecoder() *Decoder { return &Decoder{s: solver{c: c}} }

// Decode corrects the word in place. The erasures are positions in the word,
// in any order, nil where none are known. More of them than the code has check
// symbols leave every word but a clean one uncorrectable.
//
// ErrLength is returned when the word isn't n long, ErrErasure when an erasure
// lies outside of it or is named twice.
func (d *Decoder) Decode(word []byte, erasures []int) (Result, error) {
	c := d.s.c
	if len(word) != c.n {
		return Result{}, fmt.Errorf("%w: a word of %d bytes; the code has %d", ErrLength, len(word), c.n)
	}
	if !d.s.erase(erasures) {
		return Result{}, fmt.Errorf("%w: places %v in words of %d symbols", ErrErasure, erasures, c.n)
	}
	var check [MaxN]byte
	c.divide(&check, word[:c.k])
	if bytes.Equal(check[:c.Checks()], word[c.k:]) {
		return Result{Verdict: Clean}, nil
	}
	rem := check[:c.Checks()]
	for i, b := range word[c.k:] {
		rem[i] ^= b
	}
	wrong, ok := d.s.solve(rem)
	if !ok {
		return Result{Verdict: Uncorrectable}, nil
	}
	changed := 0
	for i, p := range d.s.places[:wrong] {
		if v := d.s.values[i]; v != 0 {
			word[p] ^= v
			d.at[changed] = p
			changed++
		}
	}
	return Result{Verdict: Corrected, At: d.at[:changed]}, nil
}
