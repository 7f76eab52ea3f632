package mapfile

import (
	"encoding/binary"
	"errors"
	"maps"
	"slices"

	"turnstone/device/sector"
)

// other is the data of a sector that another source had: its sum, and the first
// pass that brought it.
type other struct {
	sum  uint32
	pass uint16
	at   uint8 // place in its page of pageSectors
}

// conflicts are the sectors in conflict, by page, in order of place, then pass,
// then sum. What was kept stands in the states.
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

// conflict notes that a pass brought other data of a good sector.
func (m *Map) conflict(a sector.LBA, pass int, sum uint32) Conflict {
	n, o := uint32(a/pageSectors), other{sum, uint16(pass), uint8(a % pageSectors)}
	list := m.conflicts[n]
	known := slices.IndexFunc(list, func(k other) bool { return k.at == o.at && k.sum == o.sum })
	if known >= 0 {
		o = list[known]
	} else {
		i, _ := slices.BinarySearchFunc(list, o, compareOthers)
		m.conflicts[n] = slices.Insert(list, i, o)
		m.pending.conflicts[n] = true
	}
	c, _ := m.open(n, o)
	return c
}

// open is the conflict that o stands for; not ok while its sector is not good
// or has that very data.
func (m *Map) open(n uint32, o other) (c Conflict, ok bool) {
	a := sector.LBA(n)*pageSectors + sector.LBA(o.at)
	kept, pass, ok := m.Sum(a)
	return Conflict{At: a, Kept: kept, Other: o.sum, KeptPass: pass, OtherPass: int(o.pass)}, ok && kept != o.sum
}

// Conflicts is all conflicts, in order of address. A conflict whose sector has
// rotted since is not among them; it is again when other data than this came.
func (m *Map) Conflicts() []Conflict {
	var all []Conflict
	for _, n := range slices.Sorted(maps.Keys(m.conflicts)) {
		for _, o := range m.conflicts[n] {
			if c, ok := m.open(n, o); ok {
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
		b = binary.AppendUvarint(b, uint64(o.pass))
		b = binary.LittleEndian.AppendUint32(b, o.sum)
	}
	return b
}

var errConflicts = errors.New("not a page of conflicts")

// decodeConflicts reads the value of a page of conflicts.
func decodeConflicts(b []byte) ([]other, error) {
	var list []other
	for len(b) > 0 {
		o := other{at: b[0]}
		pass, rest, ok := cutUvarint(b[1:], maxPasses-1)
		if !ok || len(rest) < 4 || o.at >= pageSectors {
			return nil, errConflicts
		}
		o.pass, o.sum, b = uint16(pass), binary.LittleEndian.Uint32(rest), rest[4:]
		if last := len(list) - 1; last >= 0 && compareOthers(list[last], o) >= 0 {
			return nil, errConflicts
		}
		list = append(list, o)
	}
	return list, nil
}
