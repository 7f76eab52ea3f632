package mapfile

import (
	"iter"

	"turnstone/device/sector"
)

// Repair is good sectors of a CD that no READ gave: a pass put them together from raw
// readings, and each of them proved itself by its error-detection code.
type Repair struct {
	Range    sector.Range
	Readings int // that each of them took, saturating at 254
}

// Repairs goes through what a pass has put together and is good by it, in order of
// address: what it delivered with more attempts than one (Run.Attempts).
func (m *Map) Repairs(pass int) iter.Seq[Repair] {
	return func(yield func(Repair) bool) {
		for r := range m.Runs(pass) {
			if r.Result != Delivered || r.Attempts < 2 {
				continue
			}
			open := Repair{Range: sector.Range{First: r.Range.First, End: r.Range.First}, Readings: int(r.Attempts) - 1}
			for a := r.Range.First; a <= r.Range.End; a++ {
				if _, winner, ok := m.Sum(a); a < r.Range.End && ok && winner == pass {
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
