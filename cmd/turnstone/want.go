package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/pflag"

	"turnstone/imager"
	"turnstone/imager/volume/tree"
	"turnstone/mapfile"
)

var wantCommand = command{
	name:    "want",
	args:    "CASE NAME…",
	summary: "what the customer needs; done means these files then",
	about: `
Notes which files the customer needs, in the place of what was noted before. From then
on read asks for what tells where they lie, then for them, and with --to-the-end for the
rest; status, advice and exit code 0 mean these files, and the rest is reported as not
asked for. Nothing said: everything.

A name is looked for in every folder; one with a slash is a path from the root. A
folder's name stands for all that is in it; * and ? stand for any characters (quote them
for the shell). Case does not matter. Where directories are missing a name is kept until
they tell of it. Without a name it says what is wanted.`,
	example: "turnstone want anna-wedding VTS_01_1.VOB 'photos/*.jpg'\nturnstone want anna-wedding --all",
	setup:   setupWant,
}

func setupWant(f *pflag.FlagSet) action {
	all := f.Bool("all", false, "everything again")
	return func(args []string, s streams) error {
		if len(args) == 0 {
			return usagef("which case? Name its folder, then the files")
		}
		names := args[1:]
		if *all && len(names) > 0 {
			return usagef("--all and names do not go together")
		}
		for i, n := range names {
			var err error
			if names[i], err = plainText("NAME", n); err != nil {
				return usagef("%q: it has a character that can't be shown; say ? for it", n)
			}
			if names[i] == "" {
				return usagef("an empty name is no file's")
			}
		}
		if !*all && len(names) == 0 {
			return showWanted(args[0], s)
		}
		return noteWanted(args[0], names, s)
	}
}

func noteWanted(dir string, names []string, s streams) (err error) {
	c, err := imager.Open(dir, writer())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	files, err := c.Want(names)
	if errors.Is(err, imager.ErrNoSuchFile) {
		return noSuchFile(err, dir)
	} else if err != nil {
		return err
	}
	tell(s.Out, "%s", wantedText(files, c.Map(), dir))
	return nil
}

// noSuchFile is a name that stands for nothing, with where to look.
func noSuchFile(err error, dir string) error {
	return usagef("%v; turnstone files %s lists them", err, shellWord(dir))
}

// showWanted says what is wanted, and changes nothing.
func showWanted(dir string, s streams) (err error) {
	files, err := imager.OpenFiles(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, files.Close()) }()
	m, err := imager.Load(dir)
	if err != nil {
		return err
	}
	tell(s.Out, "%s", wantedText(files, m, dir))
	return nil
}

// wantedText is what is wanted and how much of it there is.
func wantedText(files *imager.Files, m *mapfile.Map, dir string) string {
	st := imager.StatusIn(dir, m)
	if st.Wanted == nil {
		return "Everything is wanted.\n"
	}
	quoted := make([]string, len(st.Wanted.Names))
	for i, n := range st.Wanted.Names {
		quoted[i] = shellWord(n)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Wanted: %s.\n", strings.Join(quoted, ", "))
	wanted, err := files.WantedFiles()
	var all imager.Tally
	for x := range files.All() {
		if err == nil && wanted[x.Entry] && x.Kind == tree.Regular {
			all.Add(x)
		}
	}
	if all.Files > 0 {
		fmt.Fprintf(&b, "%s\n", tallyInWords(all))
	}
	if st.Wanted.Open {
		b.WriteString(openInWords)
	}
	b.WriteString(standing(st))
	if st.Missing()+st.FormTwo.Missing() > 0 {
		fmt.Fprintf(&b, "Read them: turnstone read %s --drive DRIVE\n", shellWord(dir))
	}
	return b.String()
}

// openInWords is said while there may be more that is wanted.
const openInWords = "Directories that may tell of more are missing: they are read first.\n"
