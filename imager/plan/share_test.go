package plan_test

import (
	"flag"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim/ruler"
	"turnstone/device/sim/simtest"
	"turnstone/imager/plan"
)

var sharesOn = flag.String("shares", "", "more scenarios, by comma, on which TestShares holds what is said against what comes")

// said is what was said of a part at a moment of a pass, and what came of it.
type said struct {
	plan.Share
	part sector.Set // what was missing of it
	at   time.Duration
	came int64
}

// teller is a pass to the end during which it is asked at some moments what an hour more
// brings, by what the map knows: not by the plan that runs.
type teller struct {
	*planned
	task    func() plan.Task
	parts   []sector.Set
	moments []time.Duration
	work    plan.Work
	all     *[]*said
	open    []*said // of this pass
}

func (o *teller) Next() (ruler.Request, bool) {
	if len(o.moments) > 0 && o.work.Took >= o.moments[0] {
		o.moments = o.moments[1:]
		task := o.task()
		missing := make([]sector.Set, len(o.parts))
		for i := range o.parts {
			missing[i] = o.parts[i].Subtract(&task.Good)
		}
		for i, s := range plan.Look(task).Shares(time.Hour, o.work, missing) {
			if s.Open > 0 {
				o.open = append(o.open, &said{Share: s, part: missing[i], at: o.work.Took})
			}
		}
	}
	q, ok := o.planned.Next()
	if !ok {
		*o.all = append(*o.all, o.open...)
	}
	return q, ok
}

func (o *teller) Note(q ruler.Request, a device.Answer) {
	o.work.Took += a.Took
	o.work.Came += a.Good()
	if a.Err != nil {
		o.work.Failed++
	}
	for _, x := range o.open {
		if o.work.Took <= x.at+time.Hour {
			x.came += x.part.CountIn(sector.Span(q.Range.First, a.Good()))
		}
	}
	o.planned.Note(q, a)
}

// sharesOf asks in each pass of a scenario's job at six moments, of twelve films side by
// side and of twenty small files.
func sharesOf(t *testing.T, name string) (all []*said) {
	d := simtest.Load(t, filepath.Join("../../testdata/scenarios", name+".json"))
	n := d.Scenario().Sectors
	var parts []sector.Set
	for i := range int64(12) {
		parts = append(parts, sector.Of(sector.Range{First: sector.LBA(n * i / 12), End: sector.LBA(n * (i + 1) / 12)}))
	}
	for i := range int64(20) {
		parts = append(parts, sector.Of(sector.Span(sector.LBA(n*i/20+n/40), max(64, n/400))))
	}
	h := &history{}
	job := ruler.Job{Disc: d, Name: "planned", Order: func(rt ruler.Task) ruler.Order {
		p := h.begin(h.task(rt))
		return &teller{planned: p, parts: parts, all: &all, work: plan.Work{Later: rt.Round > 0},
			moments: []time.Duration{20 * time.Second, time.Minute, 3 * time.Minute, 10 * time.Minute, 30 * time.Minute, 90 * time.Minute},
			task:    func() plan.Task { return h.rest(rt) }}
	}}
	if _, err := job.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	return all
}

// widest is how much of what is open the ranges may be at the most, on the whole, where
// they should say something: the other scenarios' discs are read in seconds, or were
// treated, and nobody knows how much better they are.
var widest = map[string]float64{"ruined": .8, "scratched": .7}

// always is the scenarios that are run each time: on the last, unlike the others, much of what
// is bad lies where nothing was read before it is asked.
var always = []string{"ruined", "resurfaced", "scratched", "two-layers", "blotted"}

// TestShares: what an hour more brings of a file lies in the range that is given, in eight
// of ten cases of any scenario, and in nine of ten of all; and the range says something.
// Held against the simulator's truth, two blocks give or take.
func TestShares(t *testing.T) {
	names := always
	if *sharesOn != "" {
		names = slices.Concat(names, strings.Split(*sharesOn, ","))
	}
	var cases, inside, few float64
	for _, name := range names {
		n, in, much, wide := 0., 0., 0., 0.
		for _, x := range sharesOf(t, name) {
			if x.Open < 128 { // of so little nothing can be wrong
				continue
			}
			n++
			wide += min(1, (x.High-x.Low)/float64(x.Open))
			switch got := float64(x.came); {
			case x.Low-32 <= got && got <= x.High+32:
				in++
			case got < x.Low:
				much++
			}
		}
		t.Logf("%s: %.0f cases, %.0f %% in the range, in %.0f %% less came; the range is %.0f %% of what was open",
			name, n, 100*in/n, 100*much/n, 100*wide/n)
		if n < 15 || in < .8*n { // a case is a moment of a pass: the one on ruined has 18
			t.Errorf("%s: in %.0f of %.0f cases what came lies in the range; want 80 %%, of 15 at least", name, in, n)
		}
		if much > .1*n {
			t.Errorf("%s: in %.0f of %.0f cases less came than was said; want a tenth at most", name, much, n)
		}
		if most, ok := widest[name]; ok && wide > most*n {
			t.Errorf("%s: the ranges are %.0f %% of what was open; want %.0f at most", name, 100*wide/n, 100*most)
		}
		cases, inside, few = cases+n, inside+in, few+much
	}
	if inside < .9*cases || few > .06*cases {
		t.Errorf("in %.0f of %.0f cases what came lies in the range, and in %.0f below; want 90 and at most 6 %%", inside, cases, few)
	}
}
