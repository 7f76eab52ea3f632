package cd

import "fmt"

// Result is what became of a sector.
type Result struct {
	Verdict Verdict
	Changed int // bytes that Repair changed
}

// Repair mends the sector in place as far as its codes reach. P and Q take turns,
// each word mending one error or two erasures, until both hold or neither gets on;
// then the EDC decides. Erasures are first what the C2 pointers name: one bit for
// each byte of the sector, the highest bit first [memory], set where the byte is
// doubtful; nil where the drive gave none. Where they don't lead to a whole sector
// it is tried without them: they may be wrong. Otherwise erasures are the symbols
// of which both words fail.
//
// A sector whose EDC holds while its parity can't be mended is whole too, and
// gets new parity. The sync is always mended. On mode 2 the header is covered by
// nothing: where it makes no sense the sector stays Damaged, until the caller has
// written what it knows to be right (SetAddress). Sectors without parity are only
// verified.
//
// ErrLength or ErrKind is returned when sector, pointers or kind are none.
func Repair(sector []byte, k Kind, c2 []byte) (Result, error) {
	v, err := Verify(sector, k)
	if err != nil {
		return Result{}, err
	}
	if c2 != nil && len(c2) != C2Size {
		return Result{}, fmt.Errorf("%w: %d bytes of C2 pointers", ErrLength, len(c2))
	}
	l := &layouts[k]
	if v != Damaged || !l.parity {
		return Result{Verdict: v}, nil
	}
	if changed, ok := l.renew(sector); ok {
		return Result{Repaired, changed}, nil
	}
	if c2 != nil {
		if changed, ok := l.mend(sector, c2); ok {
			return Result{Repaired, changed}, nil
		}
	}
	if changed, ok := l.mend(sector, nil); ok {
		return Result{Repaired, changed}, nil
	}
	return Result{Verdict: Damaged}, nil
}

// whole is a sector on trial.
type whole = [Size]byte

// renew makes the sector whole where only sync or parity are wrong.
func (l *layout) renew(sector []byte) (changed int, ok bool) {
	w := whole(sector)
	copy(w[:], syncBytes[:])
	if l.surface(w[:]) != Clean {
		return 0, false
	}
	l.makeParity(w[:])
	return take(sector, &w), true
}

// mend tries to make the sector whole, with C2 pointers or without, and changes it
// only where that comes off.
func (l *layout) mend(sector, c2 []byte) (changed int, ok bool) {
	var m mender
	l.load(&m.area, sector)
	m.compute(&m.area)
	if l.mode == 2 {
		m.known = userAt - headerAt
	}
	if c2 != nil {
		for place := m.known; place < areaSize; place++ {
			at := headerAt + place
			m.doubt[place] = c2[at/8]<<(at%8)&0x80 != 0
		}
		m.turns()
	}
	m.crossings()

	w := whole(sector)
	copy(w[:], syncBytes[:])
	copy(w[headerAt+m.known:], m.area[m.known:])
	if l.surface(w[:]) != Clean {
		return 0, false
	}
	if !m.zero() {
		l.makeParity(w[:])
	}
	return take(sector, &w), true
}

// take copies a sector and counts the bytes that change.
func take(sector []byte, w *whole) (changed int) {
	for i, b := range w {
		if sector[i] != b {
			sector[i] = b
			changed++
		}
	}
	return changed
}
