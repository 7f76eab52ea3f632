package rs

import "turnstone/ecc/gf256"

// The slow decoder, from the textbook: Peterson's, Gorenstein's and Zierler's
// algorithm on the syndromes that the erasures leave (Lin and Costello, Error
// Control Coding, chapter 7; the chapter is from memory). It shares the field
// with the package and nothing else: syndromes from the whole word, the locator
// from a system of linear equations, its roots by trying, the values from a
// second system. So it is of another kind than Berlekamp's, Chien's and Forney's
// way, and slow.

// slowDecode returns the corrected word, where it was changed, and a verdict.
func slowDecode(n, k, first int, word []byte, erasures []int) ([]byte, []int, Verdict) {
	checks, f := n-k, len(erasures)
	syn := slowSyndromes(word, checks, first)
	if allZero(syn) {
		return word, nil, Clean
	}
	if f > checks {
		return word, nil, Uncorrectable
	}
	gamma := []byte{1} // lowest power first
	for _, p := range erasures {
		gamma = slowTimes(gamma, []byte{1, gf256.Exp(n - 1 - p)})
	}
	// What is left of the syndromes once the erasures are taken out of them.
	left := slowTimes(syn, gamma)[f:checks]
	for e := len(left) / 2; e >= 0; e-- {
		sigma, ok := slowLocator(left, e)
		if !ok {
			continue
		}
		places := slowRoots(slowTimes(gamma, sigma), n)
		if len(places) != f+e {
			return word, nil, Uncorrectable
		}
		return slowRepair(n, first, word, syn, places)
	}
	return word, nil, Uncorrectable
}

func slowSyndromes(word []byte, checks, first int) []byte {
	syn := make([]byte, checks)
	for i := range syn {
		for p, b := range word {
			syn[i] ^= gf256.Mul(b, gf256.Exp((first+i)*(len(word)-1-p)))
		}
	}
	return syn
}

func allZero(p []byte) bool {
	for _, b := range p {
		if b != 0 {
			return false
		}
	}
	return true
}

func slowTimes(a, b []byte) []byte {
	out := make([]byte, len(a)+len(b)-1)
	for i, x := range a {
		for j, y := range b {
			out[i+j] ^= gf256.Mul(x, y)
		}
	}
	return out
}

// slowLocator solves for σ of e errors: Σ σ_j T_(i-j) = T_i. It is false where
// the equations don't fix all of σ, which then are less than e errors.
func slowLocator(t []byte, e int) ([]byte, bool) {
	var eqs [][]byte
	for i := e; i < 2*e; i++ {
		eq := make([]byte, e+1)
		for j := 1; j <= e; j++ {
			eq[j-1] = t[i-j]
		}
		eq[e] = t[i]
		eqs = append(eqs, eq)
	}
	sigma, ok := slowSolve(eqs, e)
	return append([]byte{1}, sigma...), ok
}

// slowSolve is Gauss's elimination: the one solution of the equations, whose
// last column is the right side, or false where there is none or many.
func slowSolve(eqs [][]byte, unknowns int) ([]byte, bool) {
	for col := range unknowns {
		pivot := -1
		for r := col; r < len(eqs); r++ {
			if eqs[r][col] != 0 {
				pivot = r
				break
			}
		}
		if pivot < 0 {
			return nil, false
		}
		eqs[col], eqs[pivot] = eqs[pivot], eqs[col]
		inv := gf256.Inv(eqs[col][col])
		for j := range eqs[col] {
			eqs[col][j] = gf256.Mul(eqs[col][j], inv)
		}
		for r := range eqs {
			if q := eqs[r][col]; r != col && q != 0 {
				for j := range eqs[r] {
					eqs[r][j] ^= gf256.Mul(q, eqs[col][j])
				}
			}
		}
	}
	for _, eq := range eqs[unknowns:] {
		if eq[unknowns] != 0 {
			return nil, false
		}
	}
	out := make([]byte, unknowns)
	for i := range out {
		out[i] = eqs[i][unknowns]
	}
	return out, true
}

// slowRoots is the places of a word of n symbols whose locator is a root.
func slowRoots(poly []byte, n int) []int {
	var places []int
	for p := range n {
		var sum byte
		for i, c := range poly {
			sum ^= gf256.Mul(c, gf256.Exp(-i*(n-1-p)))
		}
		if sum == 0 {
			places = append(places, p)
		}
	}
	return places
}

// slowRepair solves all the syndromes for the values at the places.
func slowRepair(n, first int, word, syn []byte, places []int) ([]byte, []int, Verdict) {
	eqs := make([][]byte, len(syn))
	for i := range syn {
		for _, p := range places {
			eqs[i] = append(eqs[i], gf256.Exp((first+i)*(n-1-p)))
		}
		eqs[i] = append(eqs[i], syn[i])
	}
	values, ok := slowSolve(eqs, len(places))
	if !ok {
		return word, nil, Uncorrectable
	}
	out := append([]byte(nil), word...)
	var at []int
	for i, p := range places {
		if out[p] ^= values[i]; values[i] != 0 {
			at = append(at, p)
		}
	}
	return out, at, Corrected
}

// slowEncode divides at school: subtract the generator, shifted, until nothing
// is left above the check symbols.
func slowEncode(n, k, first int, data []byte) []byte {
	g := []byte{1}
	for i := range n - k {
		g = slowTimes(g, []byte{1, gf256.Exp(first + i)}) // highest power first
	}
	rest := append(append([]byte(nil), data...), make([]byte, n-k)...)
	for p := range k {
		q := rest[p]
		for j, c := range g {
			rest[p+j] ^= gf256.Mul(q, c)
		}
	}
	return append(append([]byte(nil), data...), rest[k:]...)
}
