package plan

import (
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// TestAsksDeeperAfterARestart: what a pass that was cut off asked for with few retries is
// asked for once more with the drive's own, though nothing else is left; not what had
// those, lost the track, came since, or was asked for in another round.
func TestAsksDeeperAfterARestart(t *testing.T) {
	const blocks = 400
	task := scarTask(blocks)
	task.Retries = Retries{Least: 0, Own: 16}
	none, three, own := uint8(0), uint8(3), uint8(16)
	block := func(b int64) sector.Range { return sector.Span(sector.LBA(b*16), 16) }
	task.Good = task.Disc.Written
	for _, b := range []int64{10, 20, 30, 40, 50} {
		task.Good.Remove(block(b))
	}
	past := Past{Settings: []mapfile.Settings{{Retries: &none}, {Retries: &three}, {Retries: &own}, {}}, Runs: []mapfile.Run{
		{Range: block(10), Result: mapfile.Failed, Attempts: 1},
		{Range: block(20), Result: mapfile.Failed, Attempts: 1, Settings: 1},
		{Range: block(30), Result: mapfile.Failed, Attempts: 2, Settings: 2},
		{Range: block(40), Result: mapfile.LostTrack, Attempts: 1},
		{Range: block(50), Result: mapfile.Failed, Attempts: 1, Settings: 3},
		{Range: block(60), Result: mapfile.Failed, Attempts: 1},
	}}
	task.History = []Past{past}
	want := sector.Of(block(10), block(20))
	if got := ToAsk(task); !got.Equal(&want) {
		t.Errorf("ToAsk = %v; want blocks 10 and 20", got)
	}
	p := New(task)
	left := p.Left()
	if left != want.Count() {
		t.Errorf("Left() = %d; want %d", left, want.Count())
	}
	var asked sector.Set
	for {
		q, step := p.Next()
		if step == Done {
			break
		}
		if step == Wait {
			t.Fatal("Next waits; nothing is outstanding")
		}
		if n := q.Settings.Retries; n == nil || *n != own {
			t.Errorf("request %v has retries %v; want the drive's own", q.Range, n)
		}
		if !q.Slow {
			t.Errorf("request %v is not slow; want it so, with nothing else to ask", q.Range)
		}
		asked.Add(q.Range)
		p.Note(Outcome{Request: q, Failed: q.Range.Count(), Result: mapfile.Failed})
		if left -= q.Range.Count(); p.Left() != left {
			t.Errorf("after %v Left() = %d; want %d", q.Range, p.Left(), left)
		}
	}
	if !asked.Equal(&want) {
		t.Errorf("asked for %v; want blocks 10 and 20", asked)
	}
	task.Round = 1
	if got := ToAsk(task); got.Count() != 5*16 {
		t.Errorf("in the next round ToAsk holds %d sectors; want all that are missing", got.Count())
	}
}

// TestAsksDeeperOfEachKind: so it is where only blocks are left that were asked for with so many
// retries, whatever kind that makes them.
func TestAsksDeeperOfEachKind(t *testing.T) {
	for retries := range uint8(16) {
		task := scarTask(400)
		task.Retries = Retries{Least: 0, Own: 16}
		task.Good = task.Disc.Written
		left := sector.Span(160, 16)
		task.Good.Remove(left)
		task.History = []Past{{Settings: []mapfile.Settings{{Retries: &retries}},
			Runs: []mapfile.Run{{Range: left, Result: mapfile.Failed, Attempts: 1}}}}
		p := New(task)
		q, step := p.Next()
		if n := q.Settings.Retries; step != Ask || q.Range != left || n == nil || *n != 16 || !q.Slow {
			t.Errorf("failed with %d retries: asked for %v, step %v, %+v; want %v, slowly and with all of the drive's own", retries, q.Range, step, q.Settings, left)
		}
	}
}

// TestSlowAtTheEnd: the drive's lowest speed is wanted for what is asked deeper once every
// block was asked for, or what is open is worth nothing, and never before: a drive comes
// back from it slowly.
func TestSlowAtTheEnd(t *testing.T) {
	for _, toTheEnd := range []bool{true, false} {
		task := scarTask(2400)
		task.ToTheEnd = toTheEnd
		s := newScar(task.Disc, 600, 1700, .3, false)
		slow, late := 0, 0
		p := New(task)
		for {
			q, step := p.Next()
			if step == Done {
				break
			}
			if q.Slow {
				slow++
			} else if slow > 0 {
				late++
			}
			if q.Slow && p.place.left > 0 && !p.place.spent {
				t.Errorf("%v is asked for slowly while %d blocks are open that are worth something", q.Range, p.place.left)
			}
			if q.Slow && (q.Settings.Retries == nil || *q.Settings.Retries != task.Retries.Own) {
				t.Errorf("%v is asked for slowly with %v retries; want the drive's own", q.Range, q.Settings.Retries)
			}
			p.Note(s.answer(q))
		}
		if slow == 0 || late > 0 {
			t.Errorf("to the end %v: %d requests are slow, %d behind them are not; want some, and none", toTheEnd, slow, late)
		}
	}
}
