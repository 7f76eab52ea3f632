package pack

import (
	"encoding/binary"
	"fmt"

	"turnstone/device/sector"
)

// List is which sectors a pass file is meant to hold.
type List struct {
	Image  sector.Set // what the case's image has of them
	Others sector.Set // what the case keeps beside its image: other readings
}

// Bounds of what is taken in before any of it is proven.
const (
	listMost   = 16 << 20  // bytes of the list
	mapMost    = 256 << 20 // bytes of the map's values
	mapMemory  = 1 << 30   // bytes that the map takes in memory
	mostDisc   = 1 << 26   // sectors; a BD of four layers (BD-R XL, 128 GB) has 62.5 million [memory]
	namesMost  = 1 << 10   // bytes of a bucket's name or a key
	valueMost  = 64 << 20  // bytes of a value
	valuesMost = 4 << 20   // values of a map
)

func (l List) append(b []byte) []byte {
	for _, set := range []*sector.Set{&l.Image, &l.Others} {
		b = binary.AppendUvarint(b, uint64(set.Len()))
		end := sector.LBA(0)
		for r := range set.Runs() {
			b = appendRange(b, end, r)
			end = r.End
		}
	}
	return b
}

// parseList reads the list of a disc of so many sectors.
func parseList(b []byte, sectors int64) (List, error) {
	var l List
	f := fields{b: b}
	for _, set := range []*sector.Set{&l.Image, &l.Others} {
		n := f.varint(uint64(len(f.b)) / 2) // a run takes two bytes
		end := sector.LBA(0)
		for i := uint64(0); i < n && !f.bad; i++ {
			r := f.next(end, sectors)
			if f.bad || i > 0 && r.First == end {
				return List{}, fmt.Errorf("%w: its list names sectors that can't be", ErrDamaged)
			}
			set.Add(r)
			end = r.End
		}
	}
	if f.bad {
		return List{}, fmt.Errorf("%w: its list can't be read", ErrDamaged)
	}
	return l, nil
}
