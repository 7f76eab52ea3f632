package mapfile

import (
	"fmt"
	"maps"
	"slices"

	"turnstone/device/sector"
)

// Brought is the pass that brought the data of a sector with that sum; not ok
// where nobody did. It is what the image has, or other data, decided or not.
func (m *Map) Brought(a sector.LBA, sum uint32) (pass int, ok bool) {
	if kept, pass, ok := m.Sum(a); ok && kept == sum {
		return pass, true
	}
	if o := m.other(a, sum); o != nil {
		return int(o.pass), true
	}
	return 0, false
}

// InConflict is the sectors in conflict.
func (m *Map) InConflict() sector.Set {
	var set sector.Set
	for _, c := range m.Conflicts() {
		set.Add(sector.Span(c.At, 1))
	}
	return set
}

// Disputed is the sectors of which other data is known, whatever was decided.
func (m *Map) Disputed() sector.Set {
	var set sector.Set
	for _, n := range slices.Sorted(maps.Keys(m.conflicts)) {
		for _, o := range m.conflicts[n] {
			set.Add(sector.Span(sector.LBA(n)*pageSectors+sector.LBA(o.at), 1))
		}
	}
	return set
}

// Decide settles a sector's conflict for the data with that sum; all else that is
// known of the sector is decided against. A conflict that was settled can be decided
// otherwise.
//
//   - Where the image has that data, nothing else changes.
//   - Else the sector becomes untried, for the image does not have the data yet,
//     and what the image has becomes other data, decided against. The data
//     decided for is among the Choices until it is in the image (Take) or turns
//     out to be lost (Forgo).
//
// ErrUnknown is returned when the sector is not good, no other data of it is known, or
// nobody brought data with that sum; nothing is changed then.
func (m *Map) Decide(a sector.LBA, sum uint32) error {
	kept, pass, good := m.Sum(a)
	n := uint32(a / pageSectors)
	if !good || !slices.ContainsFunc(m.conflicts[n], func(o other) bool {
		return int(o.at) == int(a%pageSectors) && o.sum != kept
	}) {
		return fmt.Errorf("sector %d, other data of it: %w", a, ErrUnknown)
	}
	if _, known := m.Brought(a, sum); !known {
		return fmt.Errorf("sector %d with the checksum %08x: %w", a, sum, ErrUnknown)
	}
	if kept != sum {
		if m.other(a, kept) == nil {
			m.addOther(n, other{sum: kept, pass: uint16(pass), at: uint8(a % pageSectors)})
		}
		m.Rot(a)
	}
	list := m.conflicts[n]
	for i := range list {
		switch o := &list[i]; {
		case int(o.at) != int(a%pageSectors):
		case o.sum == sum && kept != sum:
			o.word = chosen
		default:
			o.word = against
		}
	}
	m.pending.conflicts[n] = true
	return nil
}

// Choice is data that was decided for and is not in the image yet.
type Choice struct {
	At   sector.LBA
	Sum  uint32
	Pass int // the first that brought it
}

// Choices is all data that was decided for and is not in the image yet, in order
// of address.
func (m *Map) Choices() []Choice {
	var all []Choice
	for _, n := range slices.Sorted(maps.Keys(m.conflicts)) {
		for _, o := range m.conflicts[n] {
			if o.word == chosen {
				all = append(all, Choice{sector.LBA(n)*pageSectors + sector.LBA(o.at), o.sum, int(o.pass)})
			}
		}
	}
	return all
}

// Take notes that the data decided for is in the image: the sector is good, won
// by the pass that brought that data. ErrUnknown is returned when none waits.
func (m *Map) Take(a sector.LBA) error {
	n, i := m.choice(a)
	if i < 0 {
		return fmt.Errorf("sector %d has no data decided for: %w", a, ErrUnknown)
	}
	o := m.conflicts[n][i]
	m.conflicts[n] = slices.Delete(m.conflicts[n], i, i+1)
	at := int(o.at)
	m.states.come(n, maskOf(at, at+1), o.pass, []uint32{o.sum}, at)
	m.pending.states[n], m.pending.conflicts[n] = true, true
	return nil
}

// Forgo notes that the data decided for can't be had: the sector stays untried,
// and what its next reading brings may be in conflict with that data again.
func (m *Map) Forgo(a sector.LBA) {
	if n, i := m.choice(a); i >= 0 {
		m.conflicts[n][i].word = undecided
		m.pending.conflicts[n] = true
	}
}

// choice is where the data decided for stands; -1 where there is none.
func (m *Map) choice(a sector.LBA) (n uint32, i int) {
	if a < 0 || int64(a) >= m.states.sectors {
		return 0, -1
	}
	n = uint32(a / pageSectors)
	return n, slices.IndexFunc(m.conflicts[n], func(o other) bool {
		return o.word == chosen && int(o.at) == int(a%pageSectors)
	})
}

// overtaken opens the decisions of page n whose sectors are good since otherwise.
func (m *Map) overtaken(n uint32) {
	for _, o := range m.conflicts[n] {
		if a := sector.LBA(n)*pageSectors + sector.LBA(o.at); o.word == chosen && m.State(a) == Good {
			m.Forgo(a)
		}
	}
}
