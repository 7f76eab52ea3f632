package plan_test

import (
	"path/filepath"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sim/ruler"
	"turnstone/device/sim/simtest"
)

// onward is a pass that is cut off after some time, and then one to the end: what was
// said at the end of the first, and what the hour behind it brought.
type onward struct {
	ruler.Order
	task      func(toTheEnd bool) *planned
	told      bool
	low, high float64
	cut, took time.Duration
	came      int64
}

func (o *onward) Next() (ruler.Request, bool) {
	if o.told || o.took < o.cut {
		return o.Order.Next()
	}
	o.told, o.took = true, 0
	o.low, o.high = o.Order.(*planned).plan.Between(time.Hour)
	o.Order = o.task(true)
	return o.Order.Next()
}

func (o *onward) Note(q ruler.Request, a device.Answer) {
	if o.took += a.Took; o.told && o.took <= time.Hour {
		o.came += a.Good()
	}
	o.Order.Note(q, a)
}

// TestBetween: what an hour more brings lies in the range that is given where a pass
// was cut off, or misses it by a block or two.
func TestBetween(t *testing.T) {
	d := simtest.Load(t, filepath.Join("../../testdata/scenarios", "ruined.json"))
	for _, cut := range []time.Duration{40 * time.Second, 2 * time.Minute} {
		t.Run(cut.String(), func(t *testing.T) {
			var o *onward
			h := &history{}
			job := ruler.Job{Disc: d, Name: "planned", Order: func(rt ruler.Task) ruler.Order {
				o = &onward{cut: cut}
				o.task = func(toTheEnd bool) *planned {
					task := h.rest(rt)
					task.ToTheEnd = toTheEnd
					return h.begin(task)
				}
				o.Order = o.task(false)
				return o
			}}
			if _, err := job.Run(t.Context()); err != nil {
				t.Fatal(err)
			}
			if got := float64(o.came); !o.told || o.high == 0 || got < o.low-32 || got > o.high+32 {
				t.Errorf("the hour behind the pass brought %.0f sectors (told: %v); said was %.0f–%.0f", got, o.told, o.low, o.high)
			}
			t.Logf("said %.0f–%.0f, came %d in %v", o.low, o.high, o.came, min(o.took, time.Hour))
		})
	}
}
