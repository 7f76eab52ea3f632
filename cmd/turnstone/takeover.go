package main

import (
	"errors"
	"fmt"
	"io"

	"turnstone/imager"
	"turnstone/imager/pack"
	"turnstone/mapfile"
)

// takeOver is what merge and unpack have in common: sources whose sectors go into a case,
// which is opened or made.
type takeOver struct {
	dir    string
	round  *int // of the case, that what comes belongs to; nil: the last one
	packed bool // the source is a pass file
	json   bool

	// open opens the sources; it may complain to words. Those that were opened are
	// returned with an error too.
	open func(words io.Writer) ([]*imager.Source, error)
}

func (t takeOver) run(s streams) (err error) {
	words := s.Err
	if t.json {
		words = io.Discard // standard error is for JSON lines then
	}
	ctx, stop := untilInterrupted(words)
	defer stop()
	there, err := imager.Exists(t.dir)
	if err != nil {
		return err
	}
	var c *imager.Case
	if there { // first: who has the case is known at once
		if c, err = imager.Open(t.dir, writer()); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, c.Close()) }()
	}
	sources, err := t.open(words)
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
			tell(words, "%s has its disc recorded as cracked. If it is: turnstone inspect %s --crack yes\n", src.Name, shellWord(t.dir))
		}
	}
	if !there {
		if t.round != nil && *t.round != 0 {
			return usagef("--round %d: a new case has only round 0", *t.round)
		}
		if err := imager.CheckSources(sources); err != nil {
			return err
		}
		if c, err = imager.Create(t.dir, writer(), sources[0].Disc()); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, c.Close()) }()
	}
	l := newListener(t.json, s.Err)
	res, err := c.Merge(ctx, imager.Merging{Sources: sources, Round: t.round, Listener: l})
	l.close()
	var refused *imager.RefusedError
	switch {
	case errors.As(err, &refused):
		return err
	case errors.Is(err, mapfile.ErrUnknown):
		return usagef("--round %d: the case has the rounds 0 to %d", *t.round, len(c.Map().Rounds())-1)
	case err != nil:
		return explain(err, t.dir, readOptions{json: t.json}, s)
	}
	if !t.json {
		tell(s.Out, "%s", t.text(c.Map(), res))
	}
	bad := false
	for _, from := range res.From {
		bad = bad || !from.Lost.Empty() || from.Broken != nil
	}
	return standAfter(c.Map(), t.dir, bad, t.json, s)
}

// text says what each source brought.
func (t takeOver) text(m *mapfile.Map, res imager.Merged) string {
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
		} else if from.Conflicts == 0 && from.FormTwo == 0 && from.Differ.Empty() && from.Lost.Empty() && from.Absent.Empty() && from.Broken == nil && res.How == imager.HowComplete {
			text += fmt.Sprintf("Nothing new in %s.\n", from.Source)
		}
		if from.FormTwo > 0 {
			text += fmt.Sprintf("Taken over from %s: %s of form 2, which lie beside the image.\n", from.Source, sectors(from.FormTwo))
		}
		if n := from.Differ.Count(); n > 0 {
			text += fmt.Sprintf("%s has other data of %s of form 2: what lies beside the image stays; both checksums are noted.\n", from.Source, sectors(n))
		}
		if from.Conflicts > 0 {
			text += fmt.Sprintf("%s has other bytes of %s than are known here: the first stay in the image, its own are kept beside it.\n",
				from.Source, sectors(from.Conflicts))
		}
		for _, n := range from.Passes {
			text += fmt.Sprintf("  pass %d, from %s: %s\n", n, passes[n].Drive, broughtInWords(passes[n]))
		}
		if n := from.Lost.Count(); n > 0 {
			text += fmt.Sprintf("%s of %s, good by its map, %s not there as %s came: none of it was taken.", sectors(n), from.Source, be(n), they(n))
			if t.packed {
				text += " At the station that packed it, check --deep finds all that is so.\n"
			} else {
				text += fmt.Sprintf(" What finds all that is so:\n  turnstone check --deep %s\n", shellWord(from.Source))
			}
		}
		if n := from.Absent.Count(); n > 0 {
			text += fmt.Sprintf("The other station has other bytes of %s than are known here, which are not in %s: have it pack all of them, or these.\n",
				sectors(n), from.Source)
		}
		text += brokenText(from)
	}
	if res.How == imager.HowInterrupted {
		text += "Interrupted; the same command goes on.\n"
	}
	return text
}

// brokenText says what was wrong with a pass file as a whole; "" where nothing was.
func brokenText(from imager.Brought) string {
	const again = "get it once more, and the same command goes on"
	switch err := from.Broken; {
	case err == nil:
		return ""
	case errors.Is(err, pack.ErrCut):
		return fmt.Sprintf("%s ends before its end: it was cut short. What came is good; %s.\n", from.Source, again)
	case errors.Is(err, pack.ErrDamaged):
		return fmt.Sprintf("%s was changed on its way (%v). What was taken is good, each sector by its checksum; %s.\n", from.Source, err, again)
	default:
		return fmt.Sprintf("%s can't be read on (%v). What came is good; %s.\n", from.Source, err, again)
	}
}

// standAfter says where the case stands, and gives the exit code: bad tells that
// something was not as its checksums say.
func standAfter(m *mapfile.Map, dir string, bad, asJSON bool, s streams) error {
	st := imager.StatusIn(dir, m)
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
