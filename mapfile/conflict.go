package mapfile

import (
	"encoding/binary"
	"errors"
	"maps"
	"slices"

	"turnstone/device/sector"
)

// other is data of a sector that the image does not have: its sum, the first pass
// that brought it, and what was decided of it.
type other struct {
	sum  uint32
	pass uint16
	at   uint8 // place in its page of pageSectors
	word verdict
}

// verdict is what was decided of other data.
type verdict uint8

const (
	undecided verdict = iota // it and what the image has are in conflict
	against                  // what the image has stands, or what was decided for
	chosen                   // it was decided for and is not in the image yet; its sector is not good
)

// conflicts are the sectors with other data, by page, in order of place, then
// pass, then sum. What was kept stands in the states.
type conflicts map[uint32][]other

func compareOthers(a, b other) int {
	switch {
	case a.at != b.at:
		return int(a.at) - int(b.at)
	case a.pass != b.pass:
		return int(a.pass) - int(b.pass)
	case a.sum < b.sum:
		return -1
	case a.sum > b.sum:
		return 1
	}
	return 0
}

// conflict notes that a pass brought other data of a good sector. Not ok tells
// that this data was decided against before.
func (m *Map) conflict(a sector.LBA, pass int, sum uint32) (c Conflict, ok bool) {
	n := uint32(a / pageSectors)
	o := m.other(a, sum)
	if o == nil {
		o = &other{sum: sum, pass: uint16(pass), at: uint8(a % pageSectors)}
		m.addOther(n, *o)
	}
	return m.open(n, *o)
}

// other is the entry of other data of a sector; nil where there is none. It is
// valid until one is added or taken away.
func (m *Map) other(a sector.LBA, sum uint32) *other {
	if a < 0 || int64(a) >= m.states.sectors {
		return nil
	}
	list := m.conflicts[uint32(a/pageSectors)]
	for i := range list {
		if int(list[i].at) == int(a%pageSectors) && list[i].sum == sum {
			return &list[i]
		}
	}
	return nil
}

// addOther puts an entry in its place in page n.
func (m *Map) addOther(n uint32, o other) {
	list := m.conflicts[n]
	i, _ := slices.BinarySearchFunc(list, o, compareOthers)
	m.conflicts[n] = slices.Insert(list, i, o)
	m.pending.conflicts[n] = true
}

// open is the conflict that o stands for; not ok while its sector is not good
// or has that very data, and once it was decided.
func (m *Map) open(n uint32, o other) (c Conflict, ok bool) {
	c, ok = m.sides(n, o)
	return c, ok && o.word == undecided
}

// sides is o and what the image has instead; not ok while its sector is not good or
// has that very data.
func (m *Map) sides(n uint32, o other) (c Conflict, ok bool) {
	a := sector.LBA(n)*pageSectors + sector.LBA(o.at)
	kept, pass, ok := m.Sum(a)
	c = Conflict{At: a, Kept: kept, Other: o.sum, KeptPass: pass, OtherPass: int(o.pass)}
	return c, ok && kept != o.sum
}

// Conflicts is all conflicts, in order of address. A conflict whose sector has
// rotted since is not among them; it is again when other data than this came.
// A sector has as many as there is other data of it.
func (m *Map) Conflicts() []Conflict { return m.otherData(undecided) }

// Settled is what was decided against, beside what the image has since, in order of
// address.
func (m *Map) Settled() []Conflict { return m.otherData(against) }

// otherData is other data of which that was decided.
func (m *Map) otherData(word verdict) []Conflict {
	var all []Conflict
	for _, n := range slices.Sorted(maps.Keys(m.conflicts)) {
		for _, o := range m.conflicts[n] {
			if c, ok := m.sides(n, o); ok && o.word == word {
				all = append(all, c)
			}
		}
	}
	return all
}

// appendConflicts appends the value of a page of conflicts, as the package doc
// draws it.
func appendConflicts(b []byte, list []other) []byte {
	for _, o := range list {
		b = append(b, o.at)
		b = binary.AppendUvarint(b, uint64(o.pass)<<verdictBits|uint64(o.word))
		b = binary.LittleEndian.AppendUint32(b, o.sum)
	}
	return b
}

// verdictBits is how many bits of the varint a verdict takes.
const verdictBits = 2

var errConflicts = errors.New("not a page of conflicts")

// decodeConflicts reads the value of a page of conflicts.
func decodeConflicts(b []byte) ([]other, error) {
	var list []other
	for len(b) > 0 {
		o := other{at: b[0]}
		both, rest, ok := cutUvarint(b[1:], maxPasses<<verdictBits-1)
		if !ok || len(rest) < 4 || o.at >= pageSectors {
			return nil, errConflicts
		}
		o.pass, o.word = uint16(both>>verdictBits), verdict(both&(1<<verdictBits-1))
		o.sum, b = binary.LittleEndian.Uint32(rest), rest[4:]
		if last := len(list) - 1; o.word > chosen || last >= 0 && compareOthers(list[last], o) >= 0 {
			return nil, errConflicts
		}
		list = append(list, o)
	}
	return list, nil
}
