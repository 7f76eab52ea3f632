package cd

import "turnstone/ecc/gf256"

// mender corrects an area word by word and keeps its syndromes with it.
//
// A word without erasures and with two errors or more may blame a symbol that is
// right. That would add an error, so the words that cross it are heard. One that
// blames another symbol of the word, or the same one for another error, objects:
// then the word has more errors than one, or the objector has.
type mender struct {
	syndromes
	area  area
	doubt [areaSize]bool // erasures
	known int            // symbols at the front that are never wrong, nor in doubt
	spent int            // turns
}

// ground is why a word is believed that blames a symbol. The better is exhausted
// first.
type ground uint8

const (
	agreed  ground = iota // the word that crosses it there blames the same
	crossed               // the word that crosses it there fails too, and none objects
)

// maxTurns bounds the work on one sector, for words may go on correcting each
// other's mistakes. Damage that can be mended at all takes some turns only.
const maxTurns = 40

// turns mends words, erasures included, until all hold or none can be mended.
func (m *mender) turns() {
	for !m.zero() && (m.turn(agreed) || m.turn(crossed)) {
	}
}

// crossings mends as turns does, without the erasures at hand. Where that gets
// stuck it takes for erasures what lies in a failing word of P and in one of Q.
func (m *mender) crossings() {
	for {
		clear(m.doubt[:])
		m.turns()
		if m.zero() {
			return
		}
		for place := m.known; place < matrix; place++ {
			m.doubt[place] = m.fails(false, crossing(true, place)) && m.fails(true, crossing(false, place))
		}
		if !m.turn(agreed) {
			return
		}
	}
}

// turn tries every word once, on one ground, and tells whether it changed anything.
// It does nothing when the turns are spent.
func (m *mender) turn(g ground) (changed bool) {
	if m.spent++; m.spent > maxTurns {
		return false
	}
	for w := range pWords {
		changed = m.word(false, w, g) || changed
	}
	for w := range qWords {
		changed = m.word(true, w, g) || changed
	}
	return changed
}

// fails tells whether a word of P or Q is not a code word.
func (m *mender) fails(q bool, w int) bool {
	if q {
		return m.q0[w]|m.q1[w] != 0
	}
	return m.p0[w]|m.p1[w] != 0
}

// place is where the i-th symbol of a word lies.
func place(q bool, w, i int) int {
	if q {
		return int(diagonal.place[w][i])
	}
	return i*pWords + w
}

// sums is S0 and S1 of a word, and its length.
func (m *mender) sums(q bool, w int) (s0, s1 byte, length int) {
	if q {
		return m.q0[w], m.q1[w], qLength
	}
	return m.p0[w], m.p1[w], pLength
}

// word mends one word where it can, and tells whether it changed anything. The
// symbols of a word that holds are in doubt no longer.
func (m *mender) word(q bool, w int, g ground) bool {
	s0, s1, length := m.sums(q, w)
	var at [2]int // the erasures
	erased := 0
	for i := range length {
		if !m.doubt[place(q, w, i)] {
			continue
		}
		if erased < len(at) {
			at[erased] = i
		}
		erased++
	}
	if s0|s1 == 0 {
		if erased > 0 {
			m.trust(q, w, length)
		}
		return false
	}
	// weight is what S1 counts the i-th symbol by.
	weight := func(i int) byte { return gf256.Exp(length - 1 - i) }
	switch erased {
	case 0:
		p, ok := m.blamed(q, w)
		if !ok || !m.believed(q, w, p, g) {
			return false
		}
		m.change(p, s0)
		return true
	case 1:
		// The second check symbol tells whether it was this one alone.
		if gf256.Mul(s0, weight(at[0])) != s1 {
			return false
		}
		m.change(place(q, w, at[0]), s0)
	case 2:
		// x at one and y at the other: x + y = S0, x·wx + y·wy = S1.
		wx, wy := weight(at[0]), weight(at[1])
		x := gf256.Div(s1^gf256.Mul(s0, wy), wx^wy)
		m.change(place(q, w, at[0]), x)
		m.change(place(q, w, at[1]), s0^x)
	default:
		return false
	}
	m.trust(q, w, length)
	return true
}

// trust takes the erasures off a word.
func (m *mender) trust(q bool, w, length int) {
	for i := range length {
		m.doubt[place(q, w, i)] = false
	}
}

// blamed is where the error of a word lies if it has only one, which is S0: S1 is
// S0·α^(length−1−i). Two errors or more mostly point outside the word.
func (m *mender) blamed(q bool, w int) (at int, ok bool) {
	s0, s1, length := m.sums(q, w)
	if s0 == 0 || s1 == 0 {
		return 0, false
	}
	i := length - 1 - gf256.Log(gf256.Div(s1, s0))
	if i < 0 {
		return 0, false
	}
	at = place(q, w, i)
	return at, at >= m.known
}

// believed tells whether a word of P or Q that blames the symbol at a place is
// believed on a ground.
func (m *mender) believed(q bool, w, at int, g ground) bool {
	if at < matrix { // Q's own check symbols lie in no other word
		other := crossing(q, at)
		if !m.fails(!q, other) {
			return false
		}
		if theirs, ok := m.blamed(!q, other); ok && theirs == at && m.only(q, w) == m.only(!q, other) {
			return true
		}
	}
	return g == crossed && !m.objected(q, w)
}

// objected tells whether a word that crosses one of P or Q blames a symbol of it.
func (m *mender) objected(q bool, w int) bool {
	_, _, length := m.sums(q, w)
	for i := range length {
		at := place(q, w, i)
		if at >= matrix {
			break // Q's own check symbols come last
		}
		if theirs, ok := m.blamed(!q, crossing(q, at)); ok && theirs == at {
			return true
		}
	}
	return false
}

// crossing is the word of Q, for a word of P, or of P, for one of Q, through the
// symbol at a place of the matrix.
func crossing(q bool, at int) int {
	if q {
		return at % pWords
	}
	return int(diagonal.word[at])
}

// only is what a word is wrong by if only one of its symbols is.
func (m *mender) only(q bool, w int) byte {
	s0, _, _ := m.sums(q, w)
	return s0
}

// change adds e to the symbol at a place and follows it in the syndromes.
func (m *mender) change(place int, e byte) {
	m.area[place] ^= e
	if place < matrix {
		w := place % pWords
		m.p0[w] ^= e
		m.p1[w] ^= gf256.Mul(e, gf256.Exp(pLength-1-place/pWords))
	}
	w := diagonal.word[place]
	m.q0[w] ^= e
	m.q1[w] ^= gf256.Mul(e, gf256.Exp(qLength-1-int(diagonal.index[place])))
}
