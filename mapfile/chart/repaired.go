package chart

import (
	"fmt"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// repaired is how many good sectors no READ gave, and the most raw readings that one of
// them was put together from.
type repaired struct {
	sectors  int64
	readings int
}

// repairedUpTo counts them over the passes up to a round.
func repairedUpTo(m *mapfile.Map, round int) (r repaired) {
	if k := m.Disc().Kind; k == "dvd" || k == "bd" { // of which there are no raw readings
		return r
	}
	for n, p := range m.Passes() {
		if p.Round > round {
			continue
		}
		sectors, readings := m.Repaired(n)
		r.sectors += sectors
		r.readings = max(r.readings, readings)
	}
	return r
}

// inWords is a sentence behind another one; "" where none was repaired.
func (r repaired) inWords() string {
	switch {
	case r.sectors == 0:
		return ""
	case r.sectors == 1 && r.readings > 1:
		return fmt.Sprintf(" One of them no READ gave: it was put together from %d readings.", r.readings)
	case r.sectors == 1:
		return " One of them no READ gave: it was mended from a raw reading."
	case r.readings == 1:
		return fmt.Sprintf(" %s of them no READ gave: they were mended from a raw reading each.", sector.Thousands(r.sectors))
	}
	return fmt.Sprintf(" %s of them no READ gave: they were put together from up to %d readings.", sector.Thousands(r.sectors), r.readings)
}
