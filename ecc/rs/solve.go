package rs

import "turnstone/ecc/gf256"

// solver finds which symbols of a word are wrong and by how much, from the
// word's remainder and its erasures alone; it never sees the word. The steps and
// their names are the textbook's:
//
//	syndromes S_i = v(α^(first+i))           the remainder at the roots
//	locator   Λ(x) = Π (1 + X x)             over the places X = α^(n-1-p) that are wrong or erased
//	evaluator Ω(x) = S(x) Λ(x) mod x^(n-k)
//	values    e = X^(1-first) Ω(X⁻¹) / Λ'(X⁻¹)
//
// Λ is found by Berlekamp's and Massey's algorithm, started from the erasures'
// locator (Blahut, Theory and Practice of Error Control Codes, section 9.2; the
// section is from memory).
type solver struct {
	c *Code

	erased  [MaxN]bool
	f       int            // erasures
	gamma   [MaxN + 1]byte // their locator, lowest power first
	lambda  [MaxN + 1]byte
	before  [MaxN + 1]byte
	scratch [MaxN + 1]byte
	syn     [MaxN]byte
	omega   [MaxN]byte

	places [MaxN]int // what solve found: positions in rising order
	values [MaxN]byte
}

// erase sets the erasures for the words to come. It tells whether they make
// sense: each within the word, none named twice. More of them than the code has
// check symbols make sense, and no word can then be solved.
func (s *solver) erase(at []int) bool {
	s.erased = [MaxN]bool{}
	for _, p := range at {
		if p < 0 || p >= s.c.n || s.erased[p] {
			return false
		}
		s.erased[p] = true
	}
	if s.f = len(at); s.f > s.c.Checks() {
		return true
	}
	s.gamma = [MaxN + 1]byte{1}
	for i, p := range at { // gamma · (1 + X x)
		x := gf256.Exp(s.c.n - 1 - p)
		for j := i + 1; j > 0; j-- {
			s.gamma[j] ^= gf256.Mul(s.gamma[j-1], x)
		}
	}
	return true
}

// solve takes a word's remainder, n-k symbols with the highest power first, not
// all zero. It returns the number of places that it filled in, or false where
// the word is uncorrectable. The value of an erased place may be zero.
func (s *solver) solve(rem []byte) (int, bool) {
	if s.f > len(rem) {
		return 0, false
	}
	s.syndromes(rem)
	degree := s.locate(len(rem))
	if 2*degree > len(rem)+s.f {
		return 0, false
	}
	if !s.find(degree) {
		return 0, false
	}
	s.evaluate(degree)
	return degree, true
}

// syndromes evaluates the remainder at the roots (Horner).
func (s *solver) syndromes(rem []byte) {
	for i := range rem {
		mul, sum := &s.c.root[i], byte(0)
		for _, r := range rem {
			sum = mul[sum] ^ r
		}
		s.syn[i] = sum
	}
}

// locate makes Λ and returns the degree that it should have.
func (s *solver) locate(checks int) int {
	degree, lag, last := s.f, 1, byte(1)
	top := s.f // nothing of before lies above this power
	copy(s.lambda[:checks+1], s.gamma[:checks+1])
	copy(s.before[:checks+1], s.gamma[:checks+1])
	for r := s.f; r < checks; r++ {
		var miss byte // what Λ predicts of S_r, against what it is
		for j := range degree + 1 {
			miss ^= gf256.Mul(s.lambda[j], s.syn[r-j])
		}
		if miss == 0 {
			lag++
			continue
		}
		q := gf256.Div(miss, last)
		if 2*degree > r+s.f { // the degree holds; mend the coefficients
			s.add(q, lag, top, checks)
			lag++
			continue
		}
		copy(s.scratch[:degree+1], s.lambda[:degree+1])
		s.add(q, lag, top, checks)
		copy(s.before[:degree+1], s.scratch[:degree+1])
		top, degree = degree, r+1+s.f-degree
		lag, last = 1, miss
	}
	return degree
}

// add adds q · x^lag · before to Λ. Powers above the number of check symbols
// belong to words that are uncorrectable anyhow.
func (s *solver) add(q byte, lag, top, checks int) {
	top = min(top, checks-lag)
	for j := range top + 1 {
		s.lambda[j+lag] ^= gf256.Mul(q, s.before[j])
	}
}

// find tries every place of the word in Λ, from the first (Chien's search), and
// tells whether as many are roots as its degree says. Each coefficient's term is
// kept and moved on to the next place by one product.
func (s *solver) find(degree int) bool {
	found := 0
	if degree == s.f { // the erasures are all there is
		for p, erased := range s.erased[:s.c.n] {
			if erased {
				s.places[found] = p
				found++
			}
		}
		return true
	}
	term := s.scratch[:degree+1]
	for i := range term { // the first place has X⁻¹ = α^-(n-1)
		term[i] = gf256.Mul(s.lambda[i], gf256.Exp(-i*(s.c.n-1)))
	}
	step := s.c.step[:len(term)]
	for p := range s.c.n {
		sum := byte(0)
		for i, t := range term {
			sum ^= t
			term[i] = step[i][t]
		}
		if sum != 0 {
			continue
		}
		s.places[found] = p
		if found++; found == degree {
			return true
		}
	}
	return false
}

// evaluate works out the values of the places (Forney's formula). They are as many
// roots as Λ has, so that none is a double one and Λ' isn't zero there.
func (s *solver) evaluate(degree int) {
	for i := range degree {
		sum := byte(0)
		for j := range i + 1 {
			sum ^= gf256.Mul(s.lambda[j], s.syn[i-j])
		}
		s.omega[i] = sum
	}
	for i, p := range s.places[:degree] {
		power := s.c.n - 1 - p
		x := gf256.Exp(-power)
		var num byte
		for j := degree - 1; j >= 0; j-- {
			num = gf256.Mul(num, x) ^ s.omega[j]
		}
		// Twice anything is nothing: the derivative keeps the odd powers only.
		var den byte
		square := gf256.Mul(x, x)
		for j := (degree-1)/2*2 + 1; j > 0; j -= 2 {
			den = gf256.Mul(den, square) ^ s.lambda[j]
		}
		s.values[i] = gf256.Mul(gf256.Div(num, den), gf256.Exp(power*(1-s.c.first)))
	}
}
