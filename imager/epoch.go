package imager

import (
	"turnstone/mapfile"
)

// epoch is what came since the last checkpoint: runs to be recorded, in the
// order in which they happened, with the checksums of the delivered ones.
type epoch struct {
	runs   []mapfile.Run
	sums   []uint32 // of all delivered runs, one after the other
	events []mapfile.Event
	bytes  int64 // delivered
}

// add puts a run into the epoch; data is what was delivered of it, if anything.
func (e *epoch) add(r mapfile.Run, data []byte) {
	if r.Range.Empty() {
		return
	}
	e.sums = mapfile.AppendSums(e.sums, data)
	e.bytes += int64(len(data))
	e.runs = append(e.runs, r)
}

func (e *epoch) event(ev mapfile.Event) { e.events = append(e.events, ev) }

func (e *epoch) empty() bool { return len(e.runs) == 0 && len(e.events) == 0 }

// record puts the epoch into the map. It returns the conflicts that it met.
func (e *epoch) record(m *mapfile.Map, pass int) ([]mapfile.Conflict, error) {
	var conflicts []mapfile.Conflict
	sums := e.sums
	for _, r := range e.runs {
		var own []uint32
		if r.Result == mapfile.Delivered {
			own, sums = sums[:r.Range.Count()], sums[r.Range.Count():]
		}
		c, err := m.Record(pass, r, own)
		if err != nil {
			return conflicts, err
		}
		conflicts = append(conflicts, c...)
	}
	for _, ev := range e.events {
		m.AddEvent(ev)
	}
	return conflicts, nil
}
