package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"turnstone/imager"
)

// couldNot is what could not be read, in sentences.
func (r *Report) couldNot() string {
	s := r.couldNotInImage()
	if n := r.FormTwo.Missing(); n > 0 {
		s += fmt.Sprintf(" Of the films of this Video CD %s are missing: they did not come, or were not asked for.", data(n*formTwoBytes))
	}
	return s
}

// formTwoBytes is what a sector of form 2 carries (CD-ROM XA [memory]).
const formTwoBytes = 2324

// repairedBeside is how many sectors beside the image were put together.
func (r *Report) repairedBeside() int64 {
	if r.FormTwo == nil {
		return 0
	}
	return r.FormTwo.Repaired
}

func (r *Report) couldNotInImage() string {
	if r.Disc.Sectors == 0 {
		return "Nothing was asked of the disc yet."
	}
	n := r.Standing.Failed
	if n == 0 {
		if r.Standing.Missing()+r.FormTwo.Missing() == 0 {
			return "Nothing: all of it came in the end."
		}
		return "Nothing of what was asked for failed in the end."
	}
	s := fmt.Sprintf("%s, in %s, could not be read%s.", upper(amount(n)), some(r.places(true), "place"), r.byDrives())
	if !r.lists() {
		return s
	}
	inFiles := int64(0)
	for _, f := range r.Files.List {
		inFiles += f.CouldNot
	}
	if inFiles == 0 {
		return s + " None of it is known to belong to a file."
	}
	return s + fmt.Sprintf(" %s of it belong to files.", upper(data(inFiles)))
}

// byDrives is who asked for what could not be read.
func (r *Report) byDrives() string {
	drives := map[string]bool{}
	for _, p := range r.Passes {
		if !p.Merged && p.Round == len(r.Rounds)-1 {
			drives[p.Drive] = true
		}
	}
	treated := ""
	if len(r.Rounds) > 1 {
		treated = ", on the surface as it is after the last treatment"
	}
	if len(drives) == 1 {
		return " by the drive that asked for it" + treated
	}
	return fmt.Sprintf(" by any of %d drives%s", len(drives), treated)
}

// places counts the places of what could not be read, or of what was not tried
// further: runs of neighbouring sectors.
func (r *Report) places(could bool) (n int64) {
	end := int64(-1)
	for _, h := range r.Missing {
		if (h.State == CouldNot) != could {
			continue
		}
		if int64(h.Sectors.First) != end {
			n++
		}
		end = int64(h.Sectors.End)
	}
	return n
}

// notTried is the sentence on what was not tried further, and why.
func (r *Report) notTried() string {
	if r.Disc.Sectors == 0 {
		return "All of it."
	}
	n := r.Standing.NotTried()
	if n == 0 {
		if r.Standing.Missing()+r.FormTwo.Missing() == 0 {
			return "Nothing: all of it is there."
		}
		if r.Standing.Missing() == 0 {
			return "Nothing of what lies in the image itself."
		}
		return "Nothing: all that is missing was asked for on the surface as it is now."
	}
	var why []string
	if r.Wanted != nil && r.Wanted.Rest > 0 {
		why = append(why, "it is not part of what you asked for")
	}
	last := ""
	read := false
	for _, p := range r.Passes {
		if !p.Merged && p.Round == len(r.Rounds)-1 {
			last, read = p.How, true
		}
	}
	switch {
	case !read && len(r.Rounds) > 1:
		why = append(why, "it was not read again since the last treatment")
	case last == imager.HowLittleLeft:
		why = append(why, "little was to be expected of it for the time that it takes")
	case last == imager.HowBudget || last == imager.HowInterrupted:
		why = append(why, "the time set for reading was used up")
	case last == imager.HowStalled || last == imager.HowGone:
		why = append(why, "the drive gave up there")
	}
	s := fmt.Sprintf("%s, in %s, were not asked for any more", upper(amount(n)), some(r.places(false), "place"))
	if len(why) > 0 {
		s += ": " + strings.Join(why, ", and ")
	}
	return s + ". More of it might be had with more time."
}

// notes is what the customer should know.
func (r *Report) notes() []note {
	var all []note
	add := func(head, format string, args ...any) { all = append(all, note{head, fmt.Sprintf(format, args...)}) }
	if r.Standing.Missing()+r.FormTwo.Missing() > 0 {
		add("Gaps are zeros.", "Where data is missing the files hold zeros in its place. A player may stop, jump or show blocks there.")
	}
	came := "Every sector of it came from a drive without a reported error"
	if r.Standing.Repaired+r.repairedBeside() > 0 {
		came += ", or was put together from several readings and bears out its own check code"
	}
	add("“Whole”.", "%s. That does not prove that it plays. %s", came, r.watchedInWords())
	if r.anyNameless() {
		add("Parts without a name.", "Recovered parts that were found without a name may be incomplete, and more may belong to them.")
	}
	add("Keep copies.", "Keep two, on two kinds of media, in two places: discs, sticks and disks all age. Open them once a year, and copy them on. Don't rely on the old disc.")
	if r.Closing != nil && !r.Closing.Gone() && r.Closing.KeepUntil != "" {
		add("Our copy.", "We keep it until %s, and delete it then.", until(r.Closing.KeepUntil))
	}
	add("What this page is.", "It says what was done and what was found. It is no forensic certificate.")
	return all
}

// watchedInWords is whether somebody has watched what the page is about.
func (r *Report) watchedInWords() string {
	films, others := r.considered()
	one := ""
	for _, w := range r.Watched {
		switch {
		case w.Path == "":
			by := ""
			if w.By != "" {
				by = " by " + shown(w.By)
			}
			one = fmt.Sprintf("Watched%s on %s: %s.", by, r.day(w.At), playsWell(w))
		case slices.ContainsFunc(films, func(f Film) bool { return slices.Contains(f.Paths, w.Path) }),
			slices.ContainsFunc(others, func(f FileFacts) bool { return f.Path == w.Path }):
			one = "What was watched says so above; the rest was not watched."
		}
	}
	return cmp.Or(one, "Nobody has watched the films for this page: not watched.")
}

// anyNameless tells whether something that the page is about was found without its name.
func (r *Report) anyNameless() bool {
	films, others := r.considered()
	return slices.ContainsFunc(films, func(f Film) bool { return f.Found }) ||
		slices.ContainsFunc(others, func(f FileFacts) bool { return f.Made })
}

// lists tells whether the disc's own lists of files are known.
func (r *Report) lists() bool { return r.Files != nil && r.Files.Lists }
