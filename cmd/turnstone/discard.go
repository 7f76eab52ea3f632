package main

import (
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var discardCommand = command{
	name:    "discard",
	args:    "CASE",
	summary: "delete the customer's data, and keep the figures",
	about: `
Deletes the image, what was made of its files, kept readings, pages and the names that
the case holds, and what people noted in words of their own. What status and report
count is kept: disc, rounds, treatments, drives, passes, errors and their places, the
checksums of sectors. It can't be undone. It asks before; where nobody can answer, say
--yes. Before the day until which the case is to be kept it needs --early as well. Where
it was stopped half-way, run it again.

Deleted, not wiped: the disk's blocks may hold the data until they are used again, and
so may backups, snapshots and SSDs. Copies in other places (what was extracted, pass
files, cases merged from this one) are not touched.`,
	example: "turnstone discard anna-wedding --by Sam",
	setup:   setupDiscard,
}

func setupDiscard(f *pflag.FlagSet) action {
	by := f.String("by", "", "`NAME` of who deletes it")
	yes := f.Bool("yes", false, "delete without asking")
	early := f.Bool("early", false, "with --yes: also before the day until which it is to be kept")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		who, err := plainText("by", *by)
		if err != nil {
			return err
		}
		return discardCase(dir, who, *yes, *early, s)
	}
}

func discardCase(dir, by string, yes, early bool, s streams) error {
	m, err := imager.Load(dir)
	if err != nil {
		return err
	}
	c := m.Closing()
	if c.State == mapfile.Discarded {
		tell(s.Out, "%s", closingInWords(&c, dir, time.Now()))
		return nil
	}
	if user, err := imager.UserOf(dir); err != nil {
		return err
	} else if user != nil {
		return user
	}
	if c.State != mapfile.Discarding { // else it was said before
		if agreed, err := agreedToDiscard(dir, m, yes, early, s); err != nil || !agreed {
			return err
		}
	}
	left, err := imager.Discard(dir, writer(), by)
	if err != nil {
		return err
	}
	tell(s.Out, "The image, its files and the names are deleted; the figures are kept. Deleted, not wiped: backups, snapshots and SSDs may keep it.\n")
	if len(left) > 0 {
		tell(s.Out, "Left there, for it is not this program's: %s.\n", shownList(left))
	}
	return nil
}

// agreedToDiscard tells whether the user wants it deleted; where nobody can answer, an
// error says what to say.
func agreedToDiscard(dir string, m *mapfile.Map, yes, early bool, s streams) (bool, error) {
	c, st := m.Closing(), imager.StatusOf(m)
	kept := c.State == mapfile.Closed && keptTime(c, time.Now())
	in, ok := s.In.(*os.File)
	person := ok && isTerminal(in)
	switch {
	case yes && (early || !kept):
		return true, nil
	case !person && kept:
		return false, usagef("%s is to be kept until %s; to delete its data before that, say --yes --early", dir, dayInWords(c.KeepUntil))
	case !person:
		return false, usagef("this deletes the image and the files of %s and can't be undone; say --yes", dir)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s in the image.", dir, size(st.Good))
	switch {
	case kept:
		fmt.Fprintf(&b, " It is to be kept until %s.", dayInWords(c.KeepUntil))
	case c.State == "":
		b.WriteString(" The case was not closed yet.")
	}
	b.WriteString(" Delete image, files and names? It can't be undone. [y/N] ")
	if !answered("yes", b.String(), s) {
		fmt.Fprintln(s.Out, "Nothing was deleted.")
		return false, nil
	}
	return true, nil
}

// shownList is names from the disk in a sentence.
func shownList(names []string) string {
	const most = 5
	var out []string
	for i, n := range names {
		if i == most {
			out = append(out, fmt.Sprintf("and %s more", sector.Thousands(int64(len(names)-most))))
			break
		}
		out = append(out, shown(n))
	}
	return strings.Join(out, ", ")
}

// refuseDiscarded is an error where a case's data is deleted, for commands that open
// nothing of it themselves.
func refuseDiscarded(dir string) error {
	m, err := imager.Load(dir)
	if err != nil {
		return nil // whoever needs the case says so
	}
	if c := m.Closing(); c.Gone() {
		return &imager.DiscardedError{Dir: dir, Closing: c}
	}
	return nil
}
