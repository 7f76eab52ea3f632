package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device"
	"turnstone/device/blockdev"
	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var readCommand = command{
	name:    "read",
	args:    "CASE",
	summary: "read what is missing, best first; opens the case if it is new",
	about: `
Reads what the case is still missing from the drive's disc into the case's image,
and goes on where an earlier pass ended. No good sector is read twice. Ctrl-C
ends the pass in order, and again Ctrl-C at once; nothing is lost either way.
What failed on this surface with this drive is not asked for again, unless
--again says so or another drive is used.`,
	example: "turnstone read anna-wedding --drive /dev/sr0",
	setup:   setupRead,
}

// readOptions are the options of read.
type readOptions struct {
	drive    string
	kind     string
	only     sector.Set
	budget   time.Duration
	stall    time.Duration
	again    bool
	sameDisc bool
	json     bool
}

func setupRead(f *pflag.FlagSet) action {
	o := readOptions{stall: time.Minute}
	f.StringVar(&o.drive, "drive", "", "device `NODE` or image file to read; where one optical drive is there, it may be left out")
	f.Var(rangesValue{&o.only}, "only", "read only these sectors: 100-199, 100+100, 100, several with commas, or @FILE")
	f.Var(timeValue{&o.budget}, "budget", "end the pass after this time")
	f.BoolVar(&o.again, "again", false, "ask also for what failed on this surface with this drive")
	f.Var(timeValue{&o.stall}, "stall", "give a request up when the drive has not answered for this time")
	f.BoolVar(&o.sameDisc, "same-disc", false, "the disc is this case's: read no good block to be sure of it")
	f.StringVar(&o.kind, "kind", "", "what a plain file or device is: cd, dvd or bd")
	f.BoolVar(&o.json, "json", false, "events as JSON lines to standard error, then the document of status --json")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		switch o.kind {
		case "", "cd", "dvd", "bd":
		default:
			return usagef("--kind %q: say cd, dvd or bd", o.kind)
		}
		return read(dir, o, s)
	}
}

func read(dir string, o readOptions, s streams) error {
	ctx, stop := untilInterrupted(s.Err)
	defer stop()
	there, err := imager.Exists(dir)
	if err != nil {
		return err
	}
	var c *imager.Case
	if there {
		// Before the drive: who has the case is known at once.
		if c, err = imager.Open(dir, writer()); err != nil {
			return err
		}
		defer func() { c.Close() }()
		if c.Cracked() { // before the drive is touched: opening it may spin the disc
			return imager.ErrCracked
		}
	} else {
		fmt.Fprintf(s.Err, "Looked at the disc? A cracked one can burst in the drive: turnstone inspect %s --crack no\n", dir)
	}
	reader, err := openDrive(ctx, o)
	if err != nil {
		return err
	}
	defer reader.Close()
	if !there {
		if c, err = imager.Create(dir, writer(), discOf(reader.Info())); err != nil {
			return err
		}
		defer func() { c.Close() }()
	}
	if c.IsOwnImage(reader.Info().Node) {
		return usagef("%s is this case's own image", reader.Info().Node)
	}
	if there {
		if err := askTreated(c, reader.Info(), o, s); err != nil {
			return err
		}
	}
	missing := imager.StatusOf(c.Map()).Missing()
	for _, w := range imager.TargetWarnings(dir, missing*sector.Size) {
		fmt.Fprintf(s.Err, "turnstone: %s\n", w)
	}
	l := newListener(o.json, s.Err)
	end, err := c.Read(ctx, imager.Reading{
		Reader: reader, Only: o.only, Again: o.again, Budget: o.budget, SameDisc: o.sameDisc, Listener: l,
	})
	l.close()
	if err != nil && !errors.Is(err, imager.ErrNothingToAsk) {
		return explain(err, end, dir)
	}
	return conclude(c.Map(), dir, o, end, err, s)
}

// askTreated asks, where a person can answer, whether the disc was treated when
// it was out of the drive, and opens the round.
func askTreated(c *imager.Case, info device.Info, o readOptions, s streams) error {
	in, ok := s.In.(*os.File)
	if !ok || !isTerminal(in) || o.json || !strings.HasPrefix(info.Node, "/dev/") || !c.OutSince(info) {
		return nil
	}
	for {
		answer := ask("The disc was out of the drive since the last pass. What was done to it? (clean; sand 2000; polish fine; Enter for nothing) ", s)
		if answer == "" || answer == "nothing" || answer == "no" {
			return nil
		}
		t, err := imager.ParseTreatment(answer)
		if err != nil {
			fmt.Fprintf(s.Err, "%v\n", err)
			continue
		}
		n, err := c.OpenRound(mapfile.Round{Treatments: []mapfile.Treatment{t}})
		if err == nil {
			fmt.Fprintf(s.Err, "Round %d: %s.\n", n, t.Typed)
		}
		return err
	}
}

// discOf is what a new case knows of its disc.
func discOf(info device.Info) mapfile.Disc {
	return mapfile.Disc{
		Kind: info.Kind, Sectors: info.Sectors, BlockSectors: int64(info.BlockSectors),
		Written: sector.Of(sector.Span(0, info.Sectors)),
	}
}

// explain adds to an error of the case's side what is safe.
func explain(err error, end imager.Ending, dir string) error {
	if end.Pass < 0 {
		return err
	}
	return fmt.Errorf("%w\nThe pass ended early. What is in the map of %s is in its image; go on with the same command", err, dir)
}

// conclude says where the case stands after a pass, and how to go on.
func conclude(m *mapfile.Map, dir string, o readOptions, end imager.Ending, nothing error, s streams) error {
	st := imager.StatusOf(m)
	if o.json {
		b, err := json.MarshalIndent(st, "", "  ")
		if err != nil {
			return err
		}
		fmt.Fprintf(s.Out, "%s\n", b)
	} else {
		if nothing != nil && st.Missing() > 0 {
			fmt.Fprintln(s.Out, "Nothing new to ask of this surface with this drive: read another drive, or say --again.")
		} else if nothing == nil {
			fmt.Fprintf(s.Out, "Pass %d ended: %s.\n", end.Pass, end.Why)
		}
		fmt.Fprint(s.Out, standing(st))
		if next := goOn(end, dir, o); st.Missing() > 0 && next != "" {
			fmt.Fprintln(s.Out, next)
		}
	}
	return codeAfterRead(st, end)
}

// codeAfterRead is the exit code of a pass that ended by itself or by the drive.
func codeAfterRead(st imager.Status, end imager.Ending) error {
	switch {
	case st.Conflicts > 0:
		return codeError(exitCheck)
	case end.Failed():
		return codeError(exitDrive)
	case st.Missing() > 0:
		return codeError(exitMissing)
	}
	return nil
}

// goOn says what could bring more after a pass ended as it did.
func goOn(end imager.Ending, dir string, o readOptions) string {
	again := "turnstone read " + dir
	if o.drive != "" {
		again += " --drive " + o.drive
	}
	switch end.How {
	case imager.HowInterrupted, imager.HowBudget:
		return "Go on: " + again
	case imager.HowStalled:
		return "The case is intact. Switch the drive off and on, wait until it is ready, then go on: " + again
	case imager.HowGone:
		return "The case is intact. See that the drive is connected and holds the disc, then go on: " + again
	case imager.HowOtherDisc:
		return "The case is intact. Put its own disc in, then go on: " + again
	case imager.HowComplete:
		if !o.only.Empty() {
			return "Only what --only names was asked for."
		}
		return "Everything was asked for once. Another drive may read more; --again asks this one once more."
	}
	return ""
}

// openDrive opens the drive that the options name, or the only one there is.
func openDrive(ctx context.Context, o readOptions) (device.Reader, error) {
	node := o.drive
	if node == "" {
		found, err := blockNodes()
		if err != nil {
			return nil, err
		}
		found = slices.DeleteFunc(found, func(n string) bool { return !isOptical(n) })
		switch len(found) {
		case 0:
			return nil, errors.New("no optical drive found; name a drive or an image file with --drive")
		case 1:
			node = found[0]
		default:
			return nil, usagef("which drive? --drive %s", joinOr(found))
		}
	}
	return blockdev.Open(ctx, blockdev.Options{Node: node, Kind: o.kind, Stall: o.stall})
}

func joinOr(words []string) string {
	s := words[0]
	for i, w := range words[1:] {
		if i == len(words)-2 {
			s += " or " + w
		} else {
			s += ", " + w
		}
	}
	return s
}
