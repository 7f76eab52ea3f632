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
it. turnstone read CASE --settle reads such sectors once more instead.`,
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
	json   bool
}

func setupMerge(f *pflag.FlagSet) action {
	var o mergeOptions
	f.StringVar(&o.image, "image", "", "a raw image `FILE` to take over from; --good says what of it")
	f.Var(rangesValue{&o.good}, "good", "these sectors of the image are good: 100-199, 100+100, 100, several with commas, or @FILE")
	f.IntVar(&o.settle, "settle", -1, "decide every conflict in which this `PASS` has a side for it")
	f.BoolVar(&o.json, "json", false, "events as JSON lines to standard error, then the document of status --json")
	return func(args []string, s streams) error {
		switch {
		case len(args) == 0:
			return usagef("which case? Name its folder")
		case f.Changed("settle") && (len(args) > 1 || o.image != "" || !o.good.Empty()):
			return usagef("--settle PASS goes alone: merge first, then settle")
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

func merge(dir string, others []string, o mergeOptions, s streams) (err error) {
	words := s.Err
	if o.json {
		words = io.Discard // standard error is for JSON lines then
	}
	ctx, stop := untilInterrupted(words)
	defer stop()
	there, err := imager.Exists(dir)
	if err != nil {
		return err
	}
	var c *imager.Case
	if there { // first: who has the case is known at once
		if c, err = imager.Open(dir, writer()); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, c.Close()) }()
	}
	sources, err := openSources(dir, others, o)
	defer func() {
		for _, src := range sources {
			err = errors.Join(err, src.Close())
		}
	}()
	if err != nil {
		return err
	}
	for _, src := range sources {
		if src.Cracked() && (c == nil || !c.Cracked()) {
			tell(words, "%s has its disc recorded as cracked. If it is: turnstone inspect %s --crack yes\n", src.Name, shellWord(dir))
		}
	}
	if there, _ := imager.Exists(filepath.Dir(o.image)); o.image != "" && there {
		tell(words, "%s lies in a case, whose map knows what of it is good: turnstone merge %s %s\n",
			o.image, shellWord(dir), shellWord(filepath.Dir(o.image)))
	}
	if !there {
		if err := imager.CheckSources(sources); err != nil {
			return err
		}
		if c, err = imager.Create(dir, writer(), sources[0].Disc()); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, c.Close()) }()
	}
	l := newListener(o.json, s.Err)
	res, err := c.Merge(ctx, imager.Merging{Sources: sources, Listener: l})
	l.close()
	var refused *imager.RefusedError
	switch {
	case errors.As(err, &refused):
		return err
	case err != nil:
		return explain(err, dir, readOptions{json: o.json}, s)
	}
	if !o.json {
		tell(s.Out, "%s", mergedText(c.Map(), res))
	}
	lost := false
	for _, from := range res.From {
		lost = lost || !from.Lost.Empty()
	}
	return standAfter(c.Map(), dir, lost, o.json, s)
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

// mergedText says what each source brought.
func mergedText(m *mapfile.Map, res imager.Merged) string {
	passes := map[int]imager.PassStatus{}
	for _, r := range imager.StatusOf(m).Rounds {
		for _, p := range r.Passes {
			passes[p.Pass] = p
		}
	}
	text := ""
	for _, from := range res.From {
		if from.Won > 0 {
			text += fmt.Sprintf("Taken over from %s: %s (%s).\n", from.Source, sectors(from.Won), size(from.Won))
		} else if from.Conflicts == 0 && from.Lost.Empty() && res.How == imager.HowComplete {
			text += fmt.Sprintf("Nothing new in %s.\n", from.Source)
		}
		if from.Conflicts > 0 {
			text += fmt.Sprintf("%s has other bytes of %s than are known here: the first stay in the image, its own are kept beside it.\n",
				from.Source, sectors(from.Conflicts))
		}
		for _, n := range from.Passes {
			text += fmt.Sprintf("  pass %d, from %s: %s\n", n, passes[n].Drive, broughtInWords(passes[n]))
		}
		if n := from.Lost.Count(); n > 0 {
			text += fmt.Sprintf("%s of %s, good by its map, %s not there as %s came: none of it was taken. What finds all that is so:\n  turnstone check --deep %s\n",
				sectors(n), from.Source, be(n), they(n), shellWord(from.Source))
		}
	}
	if res.How == imager.HowInterrupted {
		text += "Interrupted; the same command goes on.\n"
	}
	return text
}

// settle decides conflicts by hand.
func settle(dir string, o mergeOptions, s streams) (err error) {
	c, err := imager.Open(dir, writer())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	res, err := c.SettleFor(o.settle)
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

// standAfter says where the case stands, and gives the exit code: bad tells that
// something was not as its checksums say.
func standAfter(m *mapfile.Map, dir string, bad, asJSON bool, s streams) error {
	st := imager.StatusOf(m)
	if asJSON {
		if err := printDocument(s.Out, st); err != nil {
			return err
		}
	} else {
		tell(s.Out, "%s", standing(st))
		if st.Conflicts > 0 {
			tell(s.Out, "Settle them: read them once more, or decide for the side of one pass.\n  turnstone read %s --settle\n  turnstone merge %s --settle PASS\n",
				shellWord(dir), shellWord(dir))
		}
	}
	if bad {
		return codeError(exitCheck)
	}
	return codeAfterRead(st, imager.Ending{})
}

// sectors is a number of sectors in words.
func sectors(n int64) string {
	if n == 1 {
		return "1 sector"
	}
	return thousands(n) + " sectors"
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
