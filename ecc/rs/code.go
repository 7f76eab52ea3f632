// Package rs is Reed–Solomon codes over the field of 256 elements of package
// gf256: any number of check symbols, any shortening, any first root, errors and
// erasures together.
//
// A word is n bytes, n at most 255. Byte 0 is the coefficient of the highest
// power, the check symbols come last:
//
//	  0                        k-1  k            n-1
//	+-----------------------------+----------------+
//	| k data symbols              | n-k check symb.|
//	+-----------------------------+----------------+
//	  · xⁿ⁻¹                             · x    · 1
//
// It is a code word when it is a multiple of the generator
//
//	g(x) = (x + α^first) (x + α^(first+1)) … (x + α^(first+n-k-1)).
//
// A code of n < 255 is the code of 255 whose leading 255-n symbols are zero and
// not written; an error that would lie in them is no error that was made, and a
// word that asks for one is uncorrectable.
//
// With e wrong symbols at unknown places and f symbols known to be doubtful
// (erasures; right or wrong), a word is corrected for certain when
//
//	2e + f ≤ n-k.
//
// Beyond that most words are found uncorrectable, and some are taken for another
// code word (miscorrected). How many, the package can't know: whoever needs to be
// sure has a check sum above the code.
//
// Three types share the work. A [Code] encodes and checks and is safe for
// concurrent use. A [Decoder] corrects single words, [Columns] a matrix whose
// columns are code words; both hold their scratch memory, so that no word costs
// an allocation, and belong to one goroutine at a time.
package rs

import (
	"bytes"
	"errors"
	"fmt"

	"turnstone/ecc/gf256"
)

// Errors of the caller, not of the word. None leaves anything changed.
var (
	// ErrCode is returned when there is no code of the numbers asked for.
	ErrCode = errors.New("rs: no such code")
	// ErrLength is returned when a word or a matrix isn't as long as its code says.
	ErrLength = errors.New("rs: wrong length")
	// ErrErasure is returned when an erasure lies outside the word or is named twice.
	ErrErasure = errors.New("rs: wrong erasure")
)

// MaxN is the longest word, in symbols.
const MaxN = 255

// Code is one Reed–Solomon code. Its tables take at most 16 KiB and 768 bytes for
// each check symbol.
type Code struct {
	n, k, first int
	gen         []byte      // generator without its leading 1, highest power first
	root        [][256]byte // root[i] multiplies by α^(first+i): the i-th root
	step        [][256]byte // step[i] multiplies by α^i, i from 0 to n-k
	quick       *quickTable // division four symbols at a time, nil above quickMax
	slow        [][256]byte // slow[i] multiplies by gen[i], nil where quick is set
}

// New makes the code of words of n symbols with k of them data, whose generator
// has the n-k roots α^first, α^(first+1) and so on. ErrCode is returned unless
// 0 < k < n ≤ 255 and 0 ≤ first < 255.
func New(n, k, first int) (*Code, error) {
	if k <= 0 || n <= k || n > MaxN || first < 0 || first >= MaxN {
		return nil, fmt.Errorf("%w: n %d, k %d, first root %d", ErrCode, n, k, first)
	}
	c := &Code{n: n, k: k, first: first, gen: generator(n-k, first)}
	for i := range n - k + 1 {
		c.step = append(c.step, gf256.Products(gf256.Exp(i)))
		if i < n-k {
			c.root = append(c.root, gf256.Products(gf256.Exp(first+i)))
		}
	}
	if n-k <= quickMax {
		c.quick = makeQuickTable(c.gen)
		return c, nil
	}
	for _, g := range c.gen {
		c.slow = append(c.slow, gf256.Products(g))
	}
	return c, nil
}

// generator multiplies out the roots. The leading 1 is left out.
func generator(count, first int) []byte {
	g := make([]byte, count+1)
	g[count] = 1 // the polynomial 1, its lowest power last
	for i := range count {
		root := gf256.Exp(first + i)
		for j := count - i - 1; j < count; j++ {
			g[j] = g[j+1] ^ gf256.Mul(g[j], root)
		}
		g[count] = gf256.Mul(g[count], root)
	}
	return g[1:]
}

// N is the number of symbols in a word.
func (c *Code) N() int { return c.n }

// K is the number of data symbols in a word.
func (c *Code) K() int { return c.k }

// Checks is the number of check symbols in a word.
func (c *Code) Checks() int { return c.n - c.k }

// Generator is the generator's coefficients, highest power first: a new slice of
// Checks()+1 bytes, the first of them 1.
func (c *Code) Generator() []byte { return append([]byte{1}, c.gen...) }

// Encode fills in the check symbols behind the word's k data symbols. ErrLength
// is returned when the word isn't n long.
func (c *Code) Encode(word []byte) error {
	if len(word) != c.n {
		return fmt.Errorf("%w: a word of %d bytes; the code has %d", ErrLength, len(word), c.n)
	}
	var check [MaxN]byte
	c.divide(&check, word[:c.k])
	copy(word[c.k:], check[:])
	return nil
}

// Check tells whether the word is a code word. A word of the wrong length is none.
func (c *Code) Check(word []byte) bool {
	if len(word) != c.n {
		return false
	}
	var check [MaxN]byte
	c.divide(&check, word[:c.k])
	return bytes.Equal(word[c.k:], check[:c.n-c.k])
}
