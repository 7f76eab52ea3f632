package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var statusCommand = command{
	name:    "status",
	args:    "CASE|DIR",
	summary: "where the case stands, and what each round and drive won",
	about: `
Says how much of the disc is in the image, what is missing, and what each round
and each drive won. On a folder of cases it is a table of them: how much of each
is there, how many of its films (or files) are whole, its last round, what to do
next. It only reads, and works while a pass runs. With --json, --list conflicts
tells both sides of each: their checksums, and who brought them.`,
	example: "turnstone status anna-wedding\nturnstone status anna-wedding --list missing\nturnstone status /srv/discs",
	brief:   true,
	setup:   setupStatus,
}

func setupStatus(f *pflag.FlagSet) action {
	list := f.String("list", "", "list the sectors of a `KIND` instead, one first+count a line: good, bad, untried, missing or conflicts")
	asJSON := f.Bool("json", false, "one JSON document")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		if *list != "" && *list != "conflicts" && *asJSON {
			return usagef("--list and --json do not go together, but for conflicts")
		}
		m, err := imager.LoadBare(dir)
		if info, serr := os.Stat(dir); errors.Is(err, imager.ErrNoCase) && serr == nil && info.IsDir() && *list == "" {
			return listCases(dir, *asJSON, s)
		}
		if err != nil {
			return err
		}
		switch {
		case *list != "" && *asJSON:
			return printDocument(s.Out, struct {
				Conflicts []imager.Dispute `json:"conflicts"`
			}{imager.Disputes(m)})
		case *list != "":
			return listSectors(s.Out, dir, m, *list)
		case *asJSON:
			return printDocument(s.Out, imager.StatusIn(dir, m))
		}
		look := imager.LookAt(m)
		st := look.StatusIn(dir)
		tell(s.Out, "%s%s", closingInWords(st.Closing, dir, time.Now()), statusText(dir, st, glance(m, look, s), filesOfCase(dir), look.Advise()))
		return nil
	}
}

// filesOfCase is how whole a case's files are; "" where that can't be told: status
// says where the sectors stand, whatever the image is like. A listing of 20,000 files
// was measured at a tenth of a second.
func filesOfCase(dir string) string {
	files, err := imager.OpenFiles(dir)
	if err != nil {
		return ""
	}
	defer files.Close()
	return filesStand(files)
}

// listSectors prints the sectors of one kind, a maximal run a line. It makes no
// set of them: a map may have a million runs.
func listSectors(w io.Writer, dir string, m *mapfile.Map, what string) error {
	var runs iter.Seq[sector.Range]
	switch what {
	case "good":
		runs = inState(m, mapfile.Good)
	case "bad":
		runs = inState(m, mapfile.Bad)
	case "untried":
		runs = inState(m, mapfile.Untried)
	case "missing":
		runs = imager.Missing(m)
		if two := imager.FormTwoMissing(dir); !two.Empty() { // of a CD, which has few runs
			all := sector.Of(slices.Collect(runs)...)
			all = all.Union(&two)
			runs = all.Runs()
		}
	case "conflicts":
		disputed := m.InConflict()
		runs = disputed.Runs()
	default:
		return usagef("--list %q: say good, bad, untried, missing or conflicts", what)
	}
	b := bufio.NewWriter(w)
	for r := range runs {
		fmt.Fprintln(b, r)
	}
	return b.Flush()
}

// inState goes through the sectors of the written area in a state.
func inState(m *mapfile.Map, state mapfile.State) iter.Seq[sector.Range] {
	return func(yield func(sector.Range) bool) {
		d := m.Disc()
		for area := range d.Written.Runs() {
			for r := range m.Ranges(state, area) {
				if !yield(r) {
					return
				}
			}
		}
	}
}

// statusText is the status for people: where it stands, what each round and
// drive won, which files are whole, what to do next.
func statusText(dir string, st imager.Status, glance, files string, next []imager.Advice) string {
	var b strings.Builder
	b.WriteString(standing(st))
	b.WriteString(glance)
	if st.Seen != nil {
		fmt.Fprintf(&b, "Seen before it was spun: %s.\n", imager.SeenInWords(*st.Seen))
	}
	for _, r := range st.Rounds {
		what := "the disc as it came in"
		if r.Round > 0 {
			what = strings.Join(r.Treatments, "; ")
		}
		fmt.Fprintf(&b, "\nRound %d, %s: %s\n", r.Round, what, won(r))
		for _, p := range r.Passes {
			by := p.Drive
			if p.Merged {
				by = "from " + by
			}
			fmt.Fprintf(&b, "  pass %d, %s: %s\n", p.Pass, by, passInWords(p))
		}
	}
	if worked := hoursByDrive(st); worked != "" {
		fmt.Fprintf(&b, "\nDrives worked %s.\n", worked)
	}
	if files != "" {
		b.WriteString("\n" + files)
	}
	if w := st.Watched; w != nil {
		fmt.Fprintf(&b, "\n%s%s.\n", upper(imager.WatchedInWords(*w)), sinceWatched(st.Good-w.Good))
	}
	next = besideFirst(st, next)
	if len(next) > 0 {
		b.WriteByte('\n')
	}
	for i, a := range imager.First(next, mostAdvice) {
		lead := "Next:"
		if i > 0 {
			lead = "Then:"
		}
		fmt.Fprintf(&b, "%s %s %s\n", lead, a.What, upper(a.Why))
		if a.Do != "" {
			fmt.Fprintf(&b, "  %s\n", strings.ReplaceAll(a.Do, "CASE", shellWord(dir)))
		}
	}
	return b.String()
}

// mostAdvice is how many things to do are shown: the rest comes when these are
// done.
const mostAdvice = 3

// won says what a round brought.
func won(r imager.RoundStatus) string {
	if len(r.Passes) == 0 {
		return "not read yet"
	}
	return fmt.Sprintf("%s sectors won (%s)", sector.Thousands(r.Won), size(r.Won))
}

// passInWords is what a pass did.
func passInWords(p imager.PassStatus) string {
	s := broughtInWords(p)
	switch {
	case p.FailedReads == 1:
		s += ", 1 failed read"
	case p.FailedReads > 1:
		s += ", " + sector.Thousands(p.FailedReads) + " failed reads"
	}
	if p.Merged && p.Ended == imager.HowComplete {
		return s + ", taken over in " + lasted(p.Seconds)
	}
	return s + " in " + lasted(p.Seconds) + ", " + endedInWords[p.Ended] + silenceInWords(p.Silence)
}

// silenceInWords says at what the drive was silent when a pass ended, while something of it
// is missing.
func silenceInWords(s *imager.SilenceStatus) string {
	if s == nil || s.Bad+s.Untried == 0 {
		return ""
	}
	text := "; the drive was silent then, for " + lasted(s.Seconds)
	if s.AtMM > 0 {
		text += fmt.Sprintf(" at %.1f mm", s.AtMM)
	}
	text += ": " + fromTo(s.Sectors)
	if s.Bad == 0 {
		text += ", not marked bad"
	}
	return text
}

// broughtInWords is what a pass gave.
func broughtInWords(p imager.PassStatus) string {
	s := sector.Thousands(p.Won) + " won"
	if p.Repaired > 0 {
		s += " (" + repairedInWords(p) + ")"
	}
	if p.Conflicts > 0 {
		s += fmt.Sprintf(", %s in conflict", sector.Thousands(p.Conflicts))
	}
	return s
}

// endedInWords are the words of status --json for people.
var endedInWords = map[string]string{
	"":                    "runs now, or was ended by force",
	imager.HowComplete:    "asked for everything",
	imager.HowLittleLeft:  "ended since little was left to win",
	imager.HowBudget:      "ended by its budget",
	imager.HowInterrupted: "interrupted",
	imager.HowStalled:     "ended since the drive did not answer",
	imager.HowGone:        "ended since the drive went away",
	imager.HowOtherDisc:   "ended since another disc lay in the drive",
	imager.HowError:       "ended by an error",
	imager.HowKilled:      "ended by force",
}

// hoursByDrive is how long each drive has worked on the case.
func hoursByDrive(st imager.Status) string {
	var names []string
	seconds := map[string]float64{}
	for _, r := range st.Rounds {
		for _, p := range r.Passes {
			if p.Merged {
				continue
			}
			if _, known := seconds[p.Drive]; !known {
				names = append(names, p.Drive)
			}
			seconds[p.Drive] += p.Seconds
		}
	}
	for i, n := range names {
		names[i] = lasted(seconds[n]) + " (" + n + ")"
	}
	return strings.Join(names, ", ")
}

// lasted is a time that has passed.
func lasted(seconds float64) string {
	d := time.Duration(seconds * float64(time.Second))
	switch {
	case d < 100*time.Millisecond:
		return "under 0.1 s"
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.1f h", d.Hours())
}

// upper begins a sentence with a capital letter.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
