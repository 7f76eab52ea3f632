package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var mergeCommand = command{
	name:    "merge",
	args:    "CASE OTHER…",
	summary: "take over what other cases of the same disc have and this one lacks",
	about: `
Takes over from other cases, or from a raw image with a list of its good sectors,
what this case lacks; opens the case if it is new. Every sector is held against
the other's checksum, and where it comes from is kept. What is good here stays as
it is: where both are good and differ, the two are in conflict, and the other side
is kept beside the image. Another disc is refused before anything is written. The
others are only read. Ctrl-C ends a merge in order; the same command goes on.

With --settle PASS every conflict in which that pass has a side is decided for
it; with --again also those that were decided against it before. turnstone read
CASE --settle reads such sectors once more instead.`,
	example: "turnstone merge anna-wedding /mnt/other-station/anna-wedding\n" +
		"turnstone merge anna-wedding --image old.iso --good 0-499999,700000+1000\n" +
		"turnstone merge anna-wedding --settle 3",
	setup: setupMerge,
}

// mergeOptions are the options of merge.
type mergeOptions struct {
	image  string
	good   sector.Set
	settle int
	again  bool
	json   bool
}

func setupMerge(f *pflag.FlagSet) action {
	var o mergeOptions
	f.StringVar(&o.image, "image", "", "a raw image `FILE` to take over from; --good says what of it")
	f.Var(rangesValue{&o.good}, "good", "these sectors of the image are good: 100-199, 100+100, 100, several with commas, or @FILE")
	f.IntVar(&o.settle, "settle", -1, "decide every conflict in which this `PASS` has a side for it")
	f.BoolVar(&o.again, "again", false, "with --settle: decide otherwise what was decided before")
	f.BoolVar(&o.json, "json", false, "events as JSON lines to standard error, then the document of status --json")
	return func(args []string, s streams) error {
		switch {
		case len(args) == 0:
			return usagef("which case? Name its folder")
		case f.Changed("settle") && (len(args) > 1 || o.image != "" || !o.good.Empty()):
			return usagef("--settle PASS goes alone: merge first, then settle")
		case o.again && !f.Changed("settle"):
			return usagef("--again goes with --settle PASS: what was decided is decided otherwise")
		case f.Changed("settle"):
			return settle(args[0], o, s)
		case len(args) == 1 && o.image == "":
			return usagef("merge what? Name another case's folder, or --image FILE --good RANGE")
		case o.image != "" && o.good.Empty():
			return usagef("which sectors of %s are good? Say --good RANGE; a file does not tell", o.image)
		case o.image == "" && !o.good.Empty():
			return usagef("--good goes with --image FILE: a case's map says what of it is good")
		}
		return merge(args[0], args[1:], o, s)
	}
}

func merge(dir string, others []string, o mergeOptions, s streams) error {
	return takeOver{dir: dir, json: o.json, open: func(words io.Writer) ([]*imager.Source, error) {
		sources, err := openSources(dir, others, o)
		if there, _ := imager.Exists(filepath.Dir(o.image)); err == nil && o.image != "" && there {
			tell(words, "%s lies in a case, whose map knows what of it is good: turnstone merge %s %s\n",
				o.image, shellWord(dir), shellWord(filepath.Dir(o.image)))
		}
		return sources, err
	}}.run(s)
}

// openSources opens what is to be merged: the cases in their order, then the
// image. Those that were opened are returned with an error too.
func openSources(dir string, others []string, o mergeOptions) ([]*imager.Source, error) {
	var sources []*imager.Source
	for _, other := range others {
		src, err := imager.OpenSource(other, dir)
		if info, serr := os.Stat(other); errors.Is(err, imager.ErrNoCase) && serr == nil && info.Mode().IsRegular() {
			return sources, usagef("%s is a file; a raw image is taken over with --image %s --good RANGE", other, shellWord(other))
		}
		if err != nil {
			return sources, err
		}
		sources = append(sources, src)
	}
	if o.image != "" {
		src, err := imager.OpenImageSource(o.image, o.good)
		if err != nil {
			return sources, err
		}
		sources = append(sources, src)
	}
	return sources, nil
}

// settle decides conflicts by hand.
func settle(dir string, o mergeOptions, s streams) (err error) {
	c, err := imager.Open(dir, writer())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	res, err := c.SettleFor(o.settle, o.again)
	switch last := len(c.Map().Passes()) - 1; {
	case errors.Is(err, mapfile.ErrUnknown) && last < 0:
		return usagef("--settle %d: the case has no passes yet", o.settle)
	case errors.Is(err, mapfile.ErrUnknown):
		return usagef("--settle %d: the case has the passes 0 to %d", o.settle, last)
	case err != nil:
		return explain(err, dir, readOptions{json: o.json}, s)
	}
	if !o.json {
		tell(s.Out, "%s", settledText(dir, o.settle, res))
		if against := c.DecidedAgainst(o.settle); !against.Empty() {
			n := against.Count()
			tell(s.Out, "In %s it was decided against pass %d before. Decide otherwise:\n  turnstone merge %s --settle %d --again\n",
				sectors(n), o.settle, shellWord(dir), o.settle)
		}
	}
	return standAfter(c.Map(), dir, false, o.json, s)
}

func settledText(dir string, pass int, res imager.Settled) string {
	text := ""
	if res.Changed > 0 {
		text += fmt.Sprintf("%s took the bytes of pass %d; what was there before is kept beside the image.\n", sectors(res.Changed), pass)
	}
	if res.Kept > 0 {
		text += fmt.Sprintf("%s, in the image by pass %d already, %s settled.\n", sectors(res.Kept), pass, be(res.Kept))
	}
	if n := res.Lost.Count(); n > 0 {
		text += fmt.Sprintf("%s %s still in conflict: the bytes of pass %d are not kept any more. Read them again:\n  turnstone read %s --settle\n",
			sectors(n), be(n), pass, shellWord(dir))
	}
	if text == "" {
		text = fmt.Sprintf("Pass %d has no side in any conflict.\n", pass)
	}
	return text
}

// sectors is a number of sectors in words.
func sectors(n int64) string {
	if n == 1 {
		return "1 sector"
	}
	return sector.Thousands(n) + " sectors"
}

// be is the verb for so many.
func be(n int64) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// they is the pronoun for so many.
func they(n int64) string {
	if n == 1 {
		return "it"
	}
	return "they"
}
