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

	FormTwo sector.Set // the disc's sectors of mode 2 form 2, whether the case has them or not
	Raw     sector.Set // of them, those that the file holds, raw
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

// appendSets appends what parseSets reads.
func appendSets(b []byte, sets ...*sector.Set) []byte {
	for _, set := range sets {
		b = binary.AppendUvarint(b, uint64(set.Len()))
		end := sector.LBA(0)
		for r := range set.Runs() {
			b = appendRange(b, end, r)
			end = r.End
		}
	}
	return b
}

// parseSets reads sets of sectors of a disc of so many.
func parseSets(b []byte, sectors int64, sets ...*sector.Set) error {
	f := fields{b: b}
	for _, set := range sets {
		n := f.varint(uint64(len(f.b)) / 2) // a run takes two bytes
		end := sector.LBA(0)
		for i := uint64(0); i < n && !f.bad; i++ {
			r := f.next(end, sectors)
			if f.bad || i > 0 && r.First == end {
				return fmt.Errorf("%w: its list names sectors that can't be", ErrDamaged)
			}
			set.Add(r)
			end = r.End
		}
	}
	if f.bad {
		return fmt.Errorf("%w: its list can't be read", ErrDamaged)
	}
	return nil
}
