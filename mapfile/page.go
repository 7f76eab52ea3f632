package mapfile

import (
	"encoding/binary"
	"errors"
	"math/bits"
	"slices"
)

// pageSectors is the number of sectors whose states one page holds. It makes a
// full value as long as a seventh of a database page, so that pages fill well
// and a change in one place rewrites little.
const pageSectors = 128

// mask has one bit for each sector of a page: bit i%64 of word i/64 is sector i.
type mask [2]uint64

// maskOf is the mask of sectors from to end-1 of a page.
func maskOf(from, end int) mask {
	var m mask
	for w := range m {
		lo, hi := max(from-64*w, 0), min(end-64*w, 64)
		if lo < hi {
			m[w] = ^uint64(0) >> (64 - (hi - lo)) << lo
		}
	}
	return m
}

func (m mask) has(i int) bool     { return m[i/64]>>(i%64)&1 != 0 }
func (m *mask) set(i int)         { m[i/64] |= 1 << (i % 64) }
func (m *mask) clear(i int)       { m[i/64] &^= 1 << (i % 64) }
func (m mask) and(o mask) mask    { return mask{m[0] & o[0], m[1] & o[1]} }
func (m mask) or(o mask) mask     { return mask{m[0] | o[0], m[1] | o[1]} }
func (m mask) andNot(o mask) mask { return mask{m[0] &^ o[0], m[1] &^ o[1]} }
func (m mask) empty() bool        { return m[0]|m[1] == 0 }
func (m mask) count() int         { return bits.OnesCount64(m[0]) + bits.OnesCount64(m[1]) }

// next is the first run of set bits at or above i; from is pageSectors where
// there is none.
func (m mask) next(i int) (from, end int) {
	from = m.scan(i, 0)
	return from, m.scan(from, ^uint64(0))
}

// scan is the first bit at or above i that differs from flip's bits.
func (m mask) scan(i int, flip uint64) int {
	for w := i / 64; w < len(m); w++ {
		if rest := (m[w] ^ flip) >> (i % 64) << (i % 64); rest != 0 {
			return 64*w + bits.TrailingZeros64(rest)
		}
		i = 0
	}
	return pageSectors
}

// page is the states of pageSectors neighbouring sectors. What is neither good
// nor bad is untried.
type page struct {
	good, bad mask
	sums      []byte               // CRC-32C of the good ones, in order, as in the value
	won       uint16               // the pass that won all the good ones, where wins is nil
	wins      *[pageSectors]uint16 // the pass that won each good one, by its place
}

// state is the state of sector i.
func (p *page) state(i int) State {
	switch {
	case p.good.has(i):
		return Good
	case p.bad.has(i):
		return Bad
	}
	return Untried
}

// in is the sectors in state s.
func (p *page) in(s State) mask {
	switch s {
	case Good:
		return p.good
	case Bad:
		return p.bad
	}
	return maskOf(0, pageSectors).andNot(p.good.or(p.bad))
}

// winner is the pass that won the good sector i.
func (p *page) winner(i int) uint16 {
	if p.wins != nil {
		return p.wins[i]
	}
	return p.won
}

// wonBy is the good sectors that the pass won.
func (p *page) wonBy(pass uint16) mask {
	if p.wins == nil {
		if p.won == pass {
			return p.good
		}
		return mask{}
	}
	var m mask
	for i := p.good.scan(0, 0); i < pageSectors; i = p.good.scan(i+1, 0) {
		if p.wins[i] == pass {
			m.set(i)
		}
	}
	return m
}

// sumBytes is the length of a sum.
const sumBytes = 4

// rank is where the sum of sector i begins, if it is good, in sums.
func (p *page) rank(i int) int { return sumBytes * p.good.and(maskOf(0, i)).count() }

// sum is the sum of the good sector i.
func (p *page) sum(i int) uint32 { return binary.LittleEndian.Uint32(p.sums[p.rank(i):]) }

// win makes the sectors of m good, won by the pass. None of them was good
// before; the sum of sector i of the page is sums[i-shift].
func (p *page) win(m mask, pass uint16, sums []uint32, shift int) {
	p.insert(m, sums, shift)
	switch {
	case p.good.empty():
		p.won, p.wins = pass, nil
	case p.wins == nil && p.won == pass:
	default:
		if p.wins == nil {
			p.wins = new([pageSectors]uint16)
			for i := range p.wins {
				p.wins[i] = p.won
			}
		}
		for i := m.scan(0, 0); i < pageSectors; i = m.scan(i+1, 0) {
			p.wins[i] = pass
		}
	}
	p.good = p.good.or(m)
	p.bad = p.bad.andNot(m)
}

// insert puts the sums of m's sectors among those of the good ones.
func (p *page) insert(m mask, sums []uint32, shift int) {
	old, n := p.sums, len(p.sums)+sumBytes*m.count()
	if n <= cap(old) {
		p.sums = old[:n]
	} else {
		p.sums = make([]byte, n, 1<<bits.Len(uint(n-1)))
	}
	// From the top down: in the same memory, old sums only move up.
	left := len(old)
	for i := pageSectors - 1; n > left; i-- {
		switch {
		case m.has(i):
			n -= sumBytes
			binary.LittleEndian.PutUint32(p.sums[n:], sums[i-shift])
		case p.good.has(i):
			n, left = n-sumBytes, left-sumBytes
			copy(p.sums[n:n+sumBytes], old[left:])
		}
	}
	copy(p.sums[:n], old)
}

// lose makes the good sector i untried.
func (p *page) lose(i int) {
	at := p.rank(i)
	p.sums = slices.Delete(p.sums, at, at+sumBytes)
	p.good.clear(i)
}

// maskBytes is the length of a mask in a value.
const maskBytes = pageSectors / 8

// winners appends the passes that won the good sectors, each one higher, in
// order of the sectors.
func (p *page) winners(dst []piece) []piece {
	if n := p.good.count(); p.wins == nil && n > 0 {
		return append(dst, piece{n, uint32(p.won) + 1})
	}
	for i := p.good.scan(0, 0); i < pageSectors; i = p.good.scan(i+1, 0) {
		what := uint32(p.wins[i]) + 1
		if last := len(dst) - 1; last >= 0 && dst[last].what == what {
			dst[last].n++
		} else {
			dst = append(dst, piece{1, what})
		}
	}
	return dst
}

// appendPage appends the page's value, as the package doc draws it.
func appendPage(b []byte, p *page) []byte {
	for _, m := range []mask{p.good, p.bad} {
		b = binary.LittleEndian.AppendUint64(b, m[0])
		b = binary.LittleEndian.AppendUint64(b, m[1])
	}
	var space [8]piece // few pages have more
	b = appendPieces(b, p.winners(space[:0]))
	return append(b, p.sums...)
}

var errPage = errors.New("not a page of states")

// decodePage reads a page's value. The page's sums are part of b.
func decodePage(b []byte) (page, error) {
	var p page
	if len(b) < 2*maskBytes {
		return p, errPage
	}
	p.good = mask{binary.LittleEndian.Uint64(b), binary.LittleEndian.Uint64(b[8:])}
	p.bad = mask{binary.LittleEndian.Uint64(b[16:]), binary.LittleEndian.Uint64(b[24:])}
	good := p.good.count()
	sums := len(b) - sumBytes*good
	if !p.good.and(p.bad).empty() || sums < 2*maskBytes {
		return p, errPage
	}
	if good > 0 {
		p.sums = b[sums:]
	}
	return p, p.setWinners(b[2*maskBytes:sums], good)
}

// setWinners reads the winners of the page's n good sectors.
func (p *page) setWinners(b []byte, n int) error {
	var space [8]piece
	pieces, err := decodePieces(space[:0], b, pageSectors, func(what uint32) bool { return what <= maxPasses })
	if err != nil {
		return err
	}
	if len(pieces) > 1 {
		p.wins = new([pageSectors]uint16)
	}
	i := p.good.scan(0, 0)
	for _, w := range pieces {
		p.won = uint16(w.what - 1)
		if n -= w.n; n < 0 || w.what == 0 {
			return errPage
		}
		if p.wins == nil {
			break
		}
		for range w.n {
			p.wins[i] = p.won
			i = p.good.scan(i+1, 0)
		}
	}
	if n != 0 {
		return errPage
	}
	return nil
}
