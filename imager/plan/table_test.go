package plan_test

import (
	"flag"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/ruler"
	"turnstone/device/sim/simtest"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

var rulerFolder = flag.String("ruler", "", "print the table of orders for the scenarios of this folder (minutes)")

// planned is a plan as an order of the ruler. It keeps what passes learn for the
// ones after them, as the engine does.
type planned struct {
	plan    *plan.Plan
	asked   plan.Request
	past    *plan.Past
	deciles *deciles
	block   int64 // sectors
}

// deciles counts what was expected of blocks and what came.
type deciles [10]struct{ blocks, expected, came float64 }

// history makes the order of each pass of a job.
type history struct {
	passes  []*plan.Past
	deciles deciles
}

func (h *history) order(s *sim.Scenario) func(ruler.Task) ruler.Order {
	return func(t ruler.Task) ruler.Order {
		return h.begin(h.task(t))
	}
}

// task is the plan's task of a pass.
func (h *history) task(t ruler.Task) plan.Task {
	all := sector.Of(sector.Span(0, t.Info.Sectors))
	task := plan.Task{
		Disc: plan.Disc{Written: all, Block: int64(t.Info.BlockSectors), Largest: int64(t.Info.MaxSectors),
			WholeBlocks: t.Info.WholeBlocks, Kind: t.Info.Kind},
		Good: all.Subtract(&t.Missing), Round: t.Round, Drive: t.Drive,
		Retries: plan.Retries{Least: t.Least, Own: t.Own}, ToTheEnd: true,
	}
	for _, p := range h.passes {
		task.History = append(task.History, *p)
	}
	return task
}

// rest is the task of a pass that begins in the middle of one: what came of it is good.
func (h *history) rest(t ruler.Task) plan.Task {
	task := h.task(t)
	for _, p := range h.passes {
		for _, r := range p.Runs {
			if r.Result.Came() {
				task.Good.Add(r.Range)
			}
		}
	}
	return task
}

// begin is a pass of a task, kept for the ones after it.
func (h *history) begin(task plan.Task) *planned {
	p := &planned{plan: plan.New(task), past: &plan.Past{Round: task.Round, Drive: task.Drive}, deciles: &h.deciles, block: task.Disc.Block}
	h.passes = append(h.passes, p.past)
	return p
}

func (o *planned) Next() (ruler.Request, bool) {
	q, step := o.plan.Next()
	o.asked = q
	return ruler.Request{Range: q.Range, Settings: device.Settings{Retries: q.Settings.Retries}}, step == plan.Ask
}

func (o *planned) Note(_ ruler.Request, a device.Answer) {
	r := o.asked.Range
	out := plan.Outcome{Request: o.asked, Good: a.Good(), Result: mapfile.Failed, Took: a.Took, Weak: len(a.Weak) > 0}
	if a.Err != nil {
		switch a.Err.Class {
		case device.Track:
			out.Result = mapfile.LostTrack
		case device.Stalled:
			out.Result = mapfile.Stalled
		}
		failing := r.First + sector.LBA(out.Good)
		out.Failed = int64(min(r.End, sector.Span(failing, 1).Blocks(o.block).End) - failing)
		if out.Result == mapfile.Stalled && r.Count() > o.block {
			out.Failed, out.Blur = 0, true
		}
	}
	block := sector.LBA(o.block)
	for b := r.First / block; b*block < r.First+sector.LBA(out.Good+out.Failed); b++ {
		chance := o.plan.Chance(b * block)
		d := &o.deciles[min(int(chance*10), 9)]
		d.blocks++
		d.expected += chance
		if b*block+block <= r.First+sector.LBA(out.Good) {
			d.came++
		}
	}
	o.past.Runs = append(o.past.Runs, mapfile.Run{Range: sector.Span(r.First, out.Good), Result: mapfile.Delivered},
		mapfile.Run{Range: sector.Span(r.First+sector.LBA(out.Good), out.Failed), Result: out.Result})
	o.plan.Note(out)
}

func measure(t *testing.T, d *sim.Disc, name string) (*ruler.Report, *deciles) {
	t.Helper()
	h := &history{}
	order := h.order(d.Scenario())
	if name != "planned" {
		var ok bool
		if order, ok = ruler.Yardstick(name); !ok {
			t.Fatalf("no yardstick is called %s", name)
		}
	}
	rep, err := ruler.Job{Disc: d, Order: order, Name: name}.Run(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return rep, &h.deciles
}

// TestOnTheRuler: on small discs with marks of every kind, on two layers, and
// through rounds with two drives, the order by place is never more than a tenth
// behind that by stretches, reads no good sector, and leaves nothing unasked.
func TestOnTheRuler(t *testing.T) {
	for _, name := range []string{"scratched", "two-layers", "resurfaced"} {
		t.Run(name, func(t *testing.T) {
			d := simtest.Load(t, filepath.Join("../../testdata/scenarios", name+".json"))
			got, _ := measure(t, d, "planned")
			want, _ := measure(t, d, "stretches")
			for i, p := range got.Passes {
				q := want.Passes[i]
				if p.ReadAgain != 0 || p.Untried != 0 && !p.NoMedium {
					t.Errorf("pass %d: %d good sectors read again, %d untried; want none", i, p.ReadAgain, p.Untried)
				}
				if p.T99 == nil || q.T99 == nil || q.Readable < 2000 {
					continue
				}
				if *p.T99 > 1.1**q.T99+1 {
					t.Errorf("pass %d: 99 %% after %.1f s; stretches needs %.1f", i, *p.T99, *q.T99)
				}
			}
		})
	}
}

// TestTable prints the table of the orders' times for a folder of scenarios, and
// checks the rule of safety and what chances are worth.
func TestTable(t *testing.T) {
	if *rulerFolder == "" {
		t.Skip("the flag -ruler names no folder with scenarios")
	}
	paths, err := filepath.Glob(filepath.Join(*rulerFolder, "*.json"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no scenarios in %s (%v)", *rulerFolder, err)
	}
	var table strings.Builder
	for _, path := range paths {
		d := simtest.Load(t, path)
		reps := map[string]*ruler.Report{}
		var seen *deciles
		for _, name := range []string{"straight", "stretches", "oracle", "planned"} {
			reps[name], seen = measure(t, d, name)
			for i, p := range reps[name].Passes {
				fmt.Fprintf(&table, "%-14s pass %d %-9s readable %7d  mean %s  t50 %s  t90 %s  t99 %s\n", reps[name].Scenario,
					i, name, p.Readable, seconds(p.Mean), seconds(p.T50), seconds(p.T90), seconds(p.T99))
			}
		}
		for i, p := range reps["planned"].Passes {
			q := reps["stretches"].Passes[i]
			if p.T99 != nil && q.T99 != nil && p.Readable >= 2000 && *p.T99 > 1.1**q.T99 {
				t.Errorf("%s, pass %d: 99 %% after %.0f s; stretches needs %.0f", path, i, *p.T99, *q.T99)
			}
		}
		for i, x := range seen {
			if x.blocks >= 500 && math.Abs(x.expected-x.came) > .1*x.blocks {
				t.Errorf("%s: of %.0f blocks in decile %d %.0f were expected and %.0f came", path, x.blocks, i, x.expected, x.came)
			}
		}
	}
	t.Logf("seconds:\n%s", table.String())
}

func seconds(v *float64) string {
	if v == nil {
		return "     –"
	}
	return fmt.Sprintf("%6.0f", *v)
}
