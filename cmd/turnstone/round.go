package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var roundCommand = command{
	name:    "round",
	args:    "CASE TREATMENT…",
	summary: "note what was done to the surface: opens the next round",
	about: `
Opens the next round: notes what was done to the disc's surface, so that what is
still missing is asked for again. A treatment is one argument: clean, sand with
its grit, polish with its grade, or other in your words, and what is known of
it, with commas: a time (4 min, 90 s) and a band of radii (24-48 mm). --amend
corrects the last round instead; what it noted before stays in the case as an
event.`,
	example: `turnstone round anna-wedding "sand 2000, 4 min, 24-48 mm" "polish fine, 90 s"`,
	setup:   setupRound,
}

// Bounds of what a scale and a micrometre can say of a disc: one of 8 cm weighs
// about 6 g, one of 12 cm about 15 g; 1.2 mm is nominal (ECMA-267, ECMA-130
// [memory]). Outside these somebody read the wrong figure.
const (
	gramsMin, gramsMax         = 3.0, 30.0
	thicknessMin, thicknessMax = 0.5, 2.0 // mm
)

func setupRound(f *pflag.FlagSet) action {
	var r mapfile.Round
	by := f.String("by", "", "`NAME` of who did it")
	note := f.String("note", "", "`TEXT` for the file of the job")
	grams := f.Float64("grams", 0, "the disc's weight before the round, in grams (`G`)")
	thickness := f.Float64("thickness", 0, "the disc's thickness before the round, in `MM`")
	amend := f.Bool("amend", false, "correct what is noted of the last round")
	yes := f.Bool("yes", false, "open the round without asking")
	quiet := f.Bool("quiet-cautions", false, "leave the cautions out, for those who know them")
	return func(args []string, s streams) error {
		if len(args) == 0 {
			return usagef("which case, and what was done? turnstone round CASE clean")
		}
		if len(args) == 1 && !*amend {
			return usagef("what was done to the disc? turnstone round %s clean", args[0])
		}
		for _, typed := range args[1:] {
			t, err := imager.ParseTreatment(typed)
			if err != nil {
				return usageError{err.Error() + unquoted(args[0], args[1:])}
			}
			r.Treatments = append(r.Treatments, t)
		}
		if f.Changed("grams") && !(*grams >= gramsMin && *grams <= gramsMax) {
			return usagef("--grams %g: a disc weighs %g to %g g", *grams, gramsMin, gramsMax)
		}
		if f.Changed("thickness") && !(*thickness >= thicknessMin && *thickness <= thicknessMax) {
			return usagef("--thickness %g: a disc is %g to %g mm thick", *thickness, thicknessMin, thicknessMax)
		}
		for _, o := range []struct {
			name, typed string
			to          *string
		}{{"by", *by, &r.By}, {"note", *note, &r.Note}} {
			var err error
			if *o.to, err = plainText(o.name, o.typed); err != nil {
				return err
			}
		}
		r.Grams, r.ThicknessMM = *grams, *thickness
		if *amend && len(r.Treatments) == 0 && r.By == "" && r.Note == "" && r.Grams == 0 && r.ThicknessMM == 0 {
			return usagef("what is to be corrected? Name the treatment, --by, --note, --grams or --thickness")
		}
		return round(args[0], r, *amend, *yes, *quiet, s)
	}
}

// unquoted is a hint where the words of one treatment came as several arguments;
// "" where they are none either way, but for a comma.
func unquoted(dir string, words []string) string {
	all := strings.Join(words, " ")
	_, err := imager.ParseTreatment(all)
	if e, ok := errors.AsType[*imager.CommaError](err); ok {
		all, err = e.As, nil
	}
	if len(words) < 2 || err != nil {
		return ""
	}
	return fmt.Sprintf("; a treatment is one word to the shell: turnstone round %s %q", shellWord(dir), all)
}

// plainText is what was typed for an option, in one line. What is shown again on
// other people's screens must not hold what a terminal obeys.
func plainText(option, typed string) (string, error) {
	text := strings.Join(strings.Fields(typed), " ")
	if strings.IndexFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0 {
		return "", usagef("--%s %q: it has a character that can't be shown", option, typed)
	}
	return text, nil
}

func round(dir string, r mapfile.Round, amend, yes, quiet bool, s streams) (err error) {
	c, err := imager.Open(dir, writer())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	if amend {
		if !quiet && c.Map().Disc().Kind == "bd" && takesOff(r, "bd") {
			tell(s.Err, "%s\n", neverABluRay)
		}
		n, err := c.AmendRound(r)
		if errors.Is(err, imager.ErrNoTreatment) {
			return usageError{err.Error()}
		} else if err != nil {
			return err
		}
		tell(s.Out, "Round %d is now: %s.\n", n, imager.RoundInWords(n, c.Map().Rounds()[n]))
		return nil
	}
	warnOfClock(c.Map(), time.Now(), s.Err)
	if !firmWish(c.Map(), r, yes, s) {
		fmt.Fprintln(s.Out, "No round was opened.")
		return nil
	}
	n, err := c.OpenRound(r)
	if err != nil {
		return err
	}
	st := imager.StatusOf(c.Map())
	again := "The next read asks again for what is missing."
	if st.Missing() > 0 {
		again = fmt.Sprintf("The next read asks again for the %s missing sectors.", sector.Thousands(st.Missing()))
	} else if st.Disc.Sectors > 0 {
		again = "Nothing is missing."
	}
	tell(s.Out, "Round %d: %s. %s\n", n, imager.TreatmentsInWords(r), again)
	if !quiet {
		for _, line := range cautions(r, st) {
			tell(s.Err, "%s\n", line)
		}
	}
	return nil
}

// warnOfClock says when the clock stands before the last entry of the case.
func warnOfClock(m *mapfile.Map, now time.Time, w io.Writer) {
	last := imager.LastEntry(m)
	if now.Before(last) && !practised(m) {
		tell(w, "turnstone: the clock says %s, and the case's last entry is of %s: is the date right?\n",
			now.Format("2006-01-02 15:04"), last.Local().Format("2006-01-02 15:04"))
	}
}

// firmWish asks before what can't be undone, where a person can answer; in a
// pipe it says the same and goes on, for what was done was done.
func firmWish(m *mapfile.Map, r mapfile.Round, yes bool, s streams) bool {
	st := imager.StatusOf(m)
	what := doubtOf(r, st)
	if what == "" || yes {
		return true
	}
	in, ok := s.In.(*os.File)
	if !ok || !isTerminal(in) {
		tell(s.Err, "%s\n", what)
		return true
	}
	if st.Disc.Kind == "bd" {
		return answered("yes", what+" [y/N] ", s)
	}
	return answered("no", what+" [Y/n] ", s)
}

// doubtOf is the question before a round that can't be undone; "" where nothing speaks
// against it.
func doubtOf(r mapfile.Round, st imager.Status) string {
	if !takesOff(r, st.Disc.Kind) {
		return ""
	}
	switch open := float64(notAskedYet(st)) / float64(max(1, st.Disc.Written)); {
	case st.Disc.Kind == "bd":
		return neverABluRay + " Was it done already?"
	case st.Disc.Sectors == 0:
		return "Nothing was asked for yet. Sanding can't be undone. Read first?"
	case open >= 0.01:
		return fmt.Sprintf("%.0f %% was not asked for yet. Sanding can't be undone. Read first?", open*100)
	}
	return ""
}

const neverABluRay = "A Blu-ray's data lies 0.1 mm under its surface: it is cleaned, read and compared, never sanded or polished."

// takesOff tells whether a round takes off of a kind of disc what can't be put
// back.
func takesOff(r mapfile.Round, kind string) bool {
	return slices.ContainsFunc(r.Treatments, func(t mapfile.Treatment) bool {
		return t.Word == imager.Sand || t.Word == imager.Polish && kind == "bd"
	})
}

// cautions are those that fit a round's treatments, and the disc.
func cautions(r mapfile.Round, st imager.Status) []string {
	words := map[string]bool{}
	for _, t := range r.Treatments {
		words[t.Word] = true
	}
	var out []string
	if words[imager.Polish] && st.Seen != nil && st.Seen.Label == "holes" {
		out = append(out, "Where light comes through the disc the data is gone: polishing won't help it there.")
	}
	if words[imager.Sand] || words[imager.Polish] {
		out = append(out,
			"Wet, not dry. Eyes, gloves, ventilation; dust and slurry are not to be breathed or swallowed. Dry hands at powered equipment.",
			"By hand or on a machine made for it: a freehand drill grabs, and heat warps a disc and splits its bond.")
	}
	if words[imager.Clean] {
		out = append(out, "Water, or isopropyl alcohol (flammable); acetone and fuels craze polycarbonate.")
	}
	if len(out) > 0 {
		out = append(out, "Dry and free of dust before it goes into a drive: slurry ruins the lens.")
		if st.Disc.Kind == "dvd" || st.Disc.Kind == "unknown" {
			out = append(out, "A DVD is two bonded halves: do not soak it.")
		}
		out = append(out, "Makers' data sheets, local rules and licensed practice go before this.")
	}
	return out
}
