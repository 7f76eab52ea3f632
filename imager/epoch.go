package imager

import (
	"fmt"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// epoch is what came since the last checkpoint: runs to be recorded, in the
// order in which they happened, with the checksums of those that came.
type epoch struct {
	runs   []mapfile.Run
	sums   []uint32 // of all runs that came, one after the other
	events []mapfile.Event
	bytes  int64 // that came
}

// came puts a run that came into the epoch, with its data. Sums are its
// checksums; they are made of the data where they are nil.
func (e *epoch) came(r mapfile.Run, data []byte, sums []uint32) {
	if r.Range.Empty() {
		return
	}
	if sums == nil {
		e.sums = mapfile.AppendSums(e.sums, data)
	} else {
		e.sums = append(e.sums, sums...)
	}
	e.bytes += int64(len(data))
	e.runs = append(e.runs, r)
}

// failed puts a run that did not come into the epoch.
func (e *epoch) failed(r mapfile.Run) {
	if !r.Range.Empty() {
		e.runs = append(e.runs, r)
	}
}

func (e *epoch) event(ev mapfile.Event) { e.events = append(e.events, ev) }

func (e *epoch) empty() bool { return len(e.runs) == 0 && len(e.events) == 0 }

// record puts the epoch into the map, and events of the conflicts that it meets,
// which it returns too.
func (e *epoch) record(m *mapfile.Map, pass int, now time.Time) ([]mapfile.Event, error) {
	var found []mapfile.Conflict
	sums := e.sums
	for _, r := range e.runs {
		var own []uint32
		if r.Result.Came() {
			own, sums = sums[:r.Range.Count()], sums[r.Range.Count():]
		}
		c, err := m.Record(pass, r, own)
		if err != nil {
			return nil, err
		}
		found = append(found, c...)
	}
	for _, ev := range e.events {
		m.AddEvent(ev)
	}
	conflicts := conflictEvents(now, pass, found)
	for _, ev := range conflicts {
		m.AddEvent(ev)
	}
	return conflicts, nil
}

// conflictEvents tells of conflicts, neighbours alike as one.
func conflictEvents(now time.Time, pass int, found []mapfile.Conflict) []mapfile.Event {
	var all []mapfile.Event
	for i := 0; i < len(found); {
		first, n := found[i], 1
		for i+n < len(found) && found[i+n].At == first.At+sector.LBA(n) &&
			found[i+n].KeptPass == first.KeptPass && found[i+n].OtherPass == first.OtherPass {
			n++
		}
		r := sector.Span(first.At, int64(n))
		all = append(all, mapfile.Event{Time: now, Pass: pass, Kind: KindConflict, Range: r,
			Text: fmt.Sprintf("sectors %v: pass %d has other bytes than pass %d, whose are in the image", r, first.OtherPass, first.KeptPass)})
		i += n
	}
	return all
}
