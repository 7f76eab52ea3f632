package mapfile

import (
	"iter"

	"turnstone/device/sector"
)

// Repair is good sectors of a CD that no READ gave: a pass, of this case or of the one that
// they were merged from, put them together from raw readings, and each of them proved itself
// by its error-detection code.
type Repair struct {
	Range    sector.Range
	Readings int // that each of them took, saturating at 254
}

// Repairs goes through what a pass has put together, or brought, and is good by it, in
// order of address.
func (m *Map) Repairs(pass int) iter.Seq[Repair] {
	return func(yield func(Repair) bool) {
		for r := range m.Runs(pass) {
			readings, ok := ReadingsOf(r)
			if !ok {
				continue
			}
			open := Repair{Range: sector.Range{First: r.Range.First, End: r.Range.First}, Readings: readings}
			for a := r.Range.First; a <= r.Range.End; a++ {
				if winner, ok := m.Winner(a); a < r.Range.End && ok && winner == pass {
					open.Range.End = a + 1
					continue
				}
				if !open.Range.Empty() && !yield(open) {
					return
				}
				open.Range = sector.Range{First: a + 1, End: a + 1}
			}
		}
	}
}

// ReadingsOf is of how many raw readings each sector of a run was put together; false where
// none was. The run came with more attempts than one (RepairedAttempts), which nothing else
// does.
func ReadingsOf(r Run) (readings int, ok bool) {
	return int(r.Attempts) - 1, r.Result.Came() && r.Attempts > 1
}

// Repaired is how many sectors a pass has put together, and the most readings that one
// of them took.
func (m *Map) Repaired(pass int) (sectors int64, readings int) {
	for r := range m.Repairs(pass) {
		sectors += r.Range.Count()
		readings = max(readings, r.Readings)
	}
	return sectors, readings
}

// RepairedAttempts is the attempts of a run that was put together from so many readings:
// one more, for the READ that failed before them.
func RepairedAttempts(readings int) uint8 { return uint8(min(1+readings, 255)) }
