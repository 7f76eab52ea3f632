package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"turnstone/imager"
)

// command is one command of the program.
type command struct {
	name    string
	args    string // what follows the name
	summary string // one line
	about   string // a paragraph or two for --help
	example string
	brief   bool // it takes a moment and ends: see beBrief
	setup   func(f *pflag.FlagSet) action
}

// action runs a command with its arguments that are no options.
type action func(args []string, s streams) error

// commands are listed by --help in this order, which is that of the work.
var commands = []command{
	drivesCommand, inspectCommand, surveyCommand, readCommand, stopCommand, roundCommand, mergeCommand, packCommand,
	unpackCommand, statusCommand, chartCommand, filesCommand, wantCommand, extractCommand, checkCommand, reportCommand,
	closeCommand, discardCommand, benchCommand, simulateCommand, demoCommand,
}

func overview() string {
	var b strings.Builder
	b.WriteString(`turnstone images a damaged optical disc in the sittings that the repair of its
surface allows: it reads what comes, goes on after each treatment with what is
still missing, and keeps one image and one map of the disc, the case.

  turnstone COMMAND CASE [options]

`)
	for _, c := range commands {
		fmt.Fprintf(&b, "  %-8s %s\n", c.name, c.summary)
	}
	b.WriteString("\nturnstone COMMAND --help tells more.\n\n" + exitHelp)
	return b.String()
}

func (c command) execute(args []string, s streams) error {
	f := pflag.NewFlagSet(c.name, pflag.ContinueOnError)
	f.SetOutput(s.Err)
	f.SortFlags = false
	f.Usage = func() {}
	act := c.setup(f)
	switch err := f.Parse(args); {
	case errors.Is(err, pflag.ErrHelp):
		fmt.Fprint(s.Out, c.help(f))
		return nil
	case err != nil:
		return usagef("%v; turnstone %s --help tells more", err, c.name)
	}
	if c.brief {
		beBrief()
	}
	return act(f.Args(), s)
}

// helpColumns is the longest line of a help, in columns: it is read in pagers and
// windows of all widths.
const helpColumns = 80

func (c command) help(f *pflag.FlagSet) string {
	var b strings.Builder
	head := strings.Join(strings.Fields("turnstone "+c.name+" "+c.args), " ")
	fmt.Fprintf(&b, "%s [options]\n", head)
	for paragraph := range strings.SplitSeq(c.about, "\n\n") {
		fmt.Fprintf(&b, "\n%s\n", foldLine(strings.Join(strings.Fields(paragraph), " "), "", helpColumns))
	}
	if f.HasFlags() {
		fmt.Fprintf(&b, "\nOptions:\n%s", optionsInWords(f))
	}
	fmt.Fprintf(&b, "\nExample:\n  %s\n\n%s", strings.ReplaceAll(strings.TrimSpace(c.example), "\n", "\n  "), exitHelp)
	return b.String()
}

// optionsInWords lists the options, each with what it takes and what it is for.
func optionsInWords(f *pflag.FlagSet) string {
	const column, edge = 20, helpColumns
	var b strings.Builder
	f.VisitAll(func(o *pflag.Flag) {
		takes, what := pflag.UnquoteUsage(o)
		name := strings.TrimRight("  --"+o.Name+" "+takes, " ")
		if len(name)+2 > column {
			name += "\n" + strings.Repeat(" ", column)
		}
		fmt.Fprintf(&b, "%-*s%s\n", column, name, hang(what, column, edge))
	})
	return b.String()
}

// oneCase takes the one argument that most commands have.
func oneCase(args []string) (string, error) {
	switch len(args) {
	case 1:
		return args[0], nil
	case 0:
		return "", usagef("which case? Name its folder")
	}
	return "", usagef("one case at a time; %q is too much", args[1])
}

// writer says who this process is to a case.
func writer() imager.Writer {
	return imager.Writer{
		Command: strings.Join(append([]string{"turnstone"}, os.Args[1:]...), " "),
		CaseID:  newCaseID(),
		Now:     time.Now,
	}
}
