package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device/sim"
	"turnstone/device/sim/ruler"
)

var simulateCommand = command{
	name:    "simulate",
	args:    "SCENARIO",
	summary: "a whole job on a simulated disc, and how soon it brought what",
	about: `
Runs the whole job on the disc and the drives that a scenario file describes: every
round with its treatments, in each round the drives in turn, each for what is then
missing. Time is virtual. It says what each pass brought, and when: so orders of
reading can be compared. Three of them are there for comparison only: straight reads
in order of address, stretches leaves a stretch of the disc at each failure, and
oracle knows beforehand what can be read. Each goes on until everything was asked
for.

The simulation's rates are invented. Nothing that it says is advice for a real disc.`,
	example: "turnstone simulate testdata/scenarios/scratched.json --order stretches",
	setup:   setupSimulate,
}

// simulateOptions are the options of simulate.
type simulateOptions struct {
	order        string
	budget       time.Duration
	caseDir      string
	trace, truth string
	json         bool
}

const plannedOrder = "planned"

func setupSimulate(f *pflag.FlagSet) action {
	var o simulateOptions
	f.StringVar(&o.order, "order", plannedOrder, "how to read: planned (as read does), straight, stretches or oracle; `NAME`")
	f.Var(timeValue{&o.budget}, "budget", "end each pass after this virtual time")
	f.StringVar(&o.caseDir, "case", "", "read into a case in the folder `DIR`, which must be absent or empty")
	f.StringVar(&o.trace, "trace", "", "write a line of JSON for each read command into `FILE`")
	f.StringVar(&o.truth, "truth", "", "write a line of JSON for each ECC block into `FILE`: the chance that it can be read")
	f.BoolVar(&o.json, "json", false, "one JSON document")
	return func(args []string, s streams) error {
		switch len(args) {
		case 1:
			return simulate(args[0], o, s)
		case 0:
			return usagef("which scenario? Name its file")
		}
		return usagef("one scenario at a time; %q is too much", args[1])
	}
}

func simulate(path string, o simulateOptions, s streams) (err error) {
	job := ruler.Job{Name: o.order, Budget: o.budget}
	yardstick, isYardstick := ruler.Yardstick(o.order)
	switch {
	case !isYardstick && o.order != plannedOrder:
		return usagef("--order %q: say planned, straight, stretches or oracle", o.order)
	case isYardstick && o.caseDir != "":
		return usagef("--case and --order %s do not go together: a case is read in the program's own order", o.order)
	}
	ctx, stop := untilInterrupted(s.Err)
	defer stop()
	scenario, err := sim.Load(path)
	if err != nil {
		return err
	}
	if scenario.CD() {
		return usagef("%s is a CD: it is read with --drive %s:%s, and whole jobs are simulated of DVDs only", path, path, scenario.Drives[0].Name)
	}
	if job.Disc, err = sim.New(scenario); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, job.Disc.Close()) }()
	if o.truth != "" {
		if err := toFile(o.truth, func(w *bufio.Writer) error { return ruler.WriteTruth(ctx, w, job.Disc) }); err != nil {
			return cutShort(err)
		}
	}
	var finish func() error
	switch {
	case isYardstick:
		job.Order, finish = yardstick, func() error { return nil }
	case o.caseDir != "":
		into, err := newSimulatedCase(o.caseDir, scenario, o.budget)
		if err != nil {
			return err
		}
		job.Read, finish = into.read, into.close
	default:
		p := &planned{}
		job.Order, finish = p.order, func() error { return p.err }
	}
	rep, err := runJob(ctx, job, o.trace)
	if err = errors.Join(err, finish()); err != nil {
		return cutShort(err)
	}
	if o.json {
		return printDocument(s.Out, rep)
	}
	printReport(s.Out, rep)
	return nil
}

// runJob runs a job, with its trace in a file where one is named.
func runJob(ctx context.Context, job ruler.Job, trace string) (rep *ruler.Report, err error) {
	if trace == "" {
		return job.Run(ctx)
	}
	err = toFile(trace, func(w *bufio.Writer) error {
		job.Trace = w
		rep, err = job.Run(ctx)
		return err
	})
	return rep, err
}

// toFile writes a file anew.
func toFile(path string, write func(*bufio.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<16)
	return errors.Join(write(w), w.Flush(), f.Close())
}

// cutShort says that the user ended the simulation, where that is what an error
// means.
func cutShort(err error) error {
	if errors.Is(err, context.Canceled) {
		return errors.New("the simulation was interrupted")
	}
	return fmt.Errorf("simulating: %w", err)
}
