package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var statusCommand = command{
	name:    "status",
	args:    "CASE",
	summary: "where the case stands, and what each round and drive won",
	about: `
Says how much of the disc is in the image, what is missing, and what each round
and each drive won. It only reads, and works while a pass runs.`,
	example: "turnstone status anna-wedding\nturnstone status anna-wedding --list missing",
	setup:   setupStatus,
}

func setupStatus(f *pflag.FlagSet) action {
	list := f.String("list", "", "list these sectors instead, one first+count a line: `good`, bad, untried, missing or conflicts")
	asJSON := f.Bool("json", false, "one JSON document")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		if *list != "" && *asJSON {
			return usagef("--list and --json do not go together")
		}
		m, err := imager.Load(dir)
		if err != nil {
			return err
		}
		switch {
		case *list != "":
			return listSectors(s.Out, m, *list)
		case *asJSON:
			b, err := json.MarshalIndent(imager.StatusOf(m), "", "  ")
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(s.Out, "%s\n", b)
			return err
		}
		_, err = io.WriteString(s.Out, statusText(imager.StatusOf(m)))
		return err
	}
}

// listSectors prints the sectors of one kind, a maximal run a line.
func listSectors(w io.Writer, m *mapfile.Map, what string) error {
	var set sector.Set
	switch what {
	case "good":
		set = m.In(mapfile.Good)
	case "bad":
		set = m.In(mapfile.Bad)
	case "untried":
		set = m.In(mapfile.Untried)
	case "missing":
		set = imager.Missing(m)
	case "conflicts":
		for _, c := range m.Conflicts() {
			set.Add(sector.Span(c.At, 1))
		}
	default:
		return usagef("--list %q: say good, bad, untried, missing or conflicts", what)
	}
	b := bufio.NewWriter(w)
	for r := range set.Runs() {
		fmt.Fprintln(b, r)
	}
	return b.Flush()
}

// statusText is the status for people.
func statusText(st imager.Status) string {
	out := standing(st)
	for _, r := range st.Rounds {
		out += fmt.Sprintf("\nRound %d: ", r.Round)
		switch {
		case r.Round == 0:
			out += "the disc as it came in"
		case len(r.Treatments) == 0:
			out += "the treatment was not noted"
		default:
			for i, t := range r.Treatments {
				if i > 0 {
					out += "; "
				}
				out += t
			}
		}
		out += fmt.Sprintf("; %s sectors won\n", thousands(r.Won))
		for _, p := range r.Passes {
			ended := p.Ended
			if ended == "" {
				ended = "runs, or was ended by force"
			}
			out += fmt.Sprintf("  pass %d, %s: %s won, %s failed reads in %v; %s\n", p.Pass, p.Drive,
				thousands(p.Won), thousands(p.FailedReads), (time.Duration(p.Seconds * float64(time.Second))).Round(time.Second), ended)
		}
	}
	return out
}
