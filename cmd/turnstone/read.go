package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var readCommand = command{
	name:    "read",
	args:    "CASE",
	summary: "read what is missing, best first; opens the case if it is new",
	about: `
Reads what the case is still missing from the drive's disc into the case's
image, and goes on where an earlier pass ended. No good sector is read twice.
Ctrl-C ends the pass in order, and again Ctrl-C at once; nothing is lost either
way. What failed on this surface with this drive is not asked for again, unless
--again says so or another drive is used.
What a CD does not give by READ is read raw at the end, several times, and put together
where its own codes prove it.

What tells where files lie is read first, then films, other files, menus and backups;
of each what comes easily before what is hard.`,
	example: "turnstone read anna-wedding --drive /dev/sr0",
	setup:   setupRead,
}

// readOptions are the options of read.
type readOptions struct {
	drive         string
	kind          string
	only          sector.Set
	budget        time.Duration
	stall         time.Duration
	again         bool
	toTheEnd      bool
	sameDisc      bool
	settle        bool
	survey        int64 // samples at most; 0: no survey
	surveyMissing bool
	eject         bool
	assume        int64
	mains         string
	cap           driveSpeed
	retries       int // -1: as the plan wants
	by            string
	json          bool
}

// usualReading is what holds where nothing is said.
var usualReading = readOptions{stall: time.Minute, retries: -1}

// checkKind returns an error for a --kind that there is not.
func checkKind(kind string) error {
	if _, _, ok := device.Block(kind); !ok {
		return usagef("--kind %q: say cd, dvd or bd", kind)
	}
	return nil
}

func setupRead(f *pflag.FlagSet) action {
	o := usualReading
	f.StringVar(&o.drive, "drive", "", "device `NODE` or image file to read, or a simulated drive, SCENARIO.json:NAME; where one optical drive is there, it may be left out")
	f.Var(rangesValue{&o.only}, "only", "read only these sectors: 100-199, 100+100, 100, several with commas, or @FILE")
	f.Var(timeValue{&o.budget}, "budget", "end the pass after this time")
	f.BoolVar(&o.again, "again", false, "ask also for what failed on this surface with this drive")
	f.BoolVar(&o.toTheEnd, "to-the-end", false, "go on until everything was asked for, however little it brings")
	f.Var(timeValue{&o.stall}, "stall", "give a request up when the drive has not answered for this time; 1m if not said")
	f.Var(speedValue{&o.cap}, "cap", "ask the drive to read no faster than this, 4x or 5540kB/s; without it the drive reads at its own speed, and at its lowest what is left in the end. It may ignore that, and spins as it likes while it recognises a disc")
	f.IntVar(&o.retries, "read-retry-count", o.retries, "how often the drive itself tries a place again, `N` from 0 to 255, instead of few where it is dead and many where it may come")
	f.StringVar(&o.by, "by", "", "`NAME` of who reads, for the record")
	f.BoolVar(&o.eject, "eject", false, "open the tray when the pass is over")
	f.BoolVar(&o.sameDisc, "same-disc", false, "the disc is this case's: read no good block to be sure of it")
	f.BoolVar(&o.settle, "settle", false, "read the sectors in conflict once more, and nothing else: what comes again stands")
	f.Int64Var(&o.assume, "assume-sectors", 0, "the last resort for a disc that the drive does not recognise: its size, `N` sectors")
	f.StringVar(&o.mains, "mains-switch", "", "`COMMAND` that switches the drive off and on, with its node as argument: the last thing tried when it gives no answer")
	f.StringVar(&o.kind, "kind", "", "`KIND` of the disc in a plain file or device: cd, dvd or bd")
	f.BoolVar(&o.json, "json", false, "events as JSON lines to standard error, then the document of status --json")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		if err := checkKind(o.kind); err != nil {
			return err
		}
		if f.Changed("assume-sectors") && o.assume < 1 {
			return usagef("--assume-sectors %d: a disc has at least one", o.assume)
		}
		if f.Changed("read-retry-count") && (o.retries < 0 || o.retries > 255) {
			return usagef("--read-retry-count %d: say 0 to 255", o.retries)
		}
		if o.by, err = plainText("by", o.by); err != nil {
			return err
		}
		return read(dir, o, s)
	}
}

func read(dir string, o readOptions, s streams) error {
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
	if !there && !o.settle {
		tell(words, "Looked at the disc? A cracked one can burst in the drive: turnstone inspect %s --crack no\n", shellWord(dir))
	}
	d := &terminalDesk{o: o, s: s, words: words, known: there}
	run, err := imager.NewRuns(writer).Start(ctx, o.drive, imager.Job{Dir: dir, Open: o.open(s), Eject: o.eject, Reading: imager.Reading{
		Only: o.only, Again: o.again, ToTheEnd: o.toTheEnd, Budget: o.budget, SameDisc: o.sameDisc, Settle: o.settle, By: o.by,
		Allow: allowStep(o, s), Survey: o.survey, SurveyEvenly: o.surveyMissing,
	}}, d)
	if err != nil {
		return err
	}
	out, err := run.Wait()
	d.close()
	if err != nil && !nothingDone(err) {
		if out.Pass >= 0 {
			return explain(err, dir, o, s)
		}
		return interrupted(err, s)
	}
	if o.survey > 0 {
		return concludeSurvey(dir, out.Map, o, out.Ending, err, s)
	}
	return conclude(out.Map, dir, o, out.Ending, err, s)
}

// open opens the drive that the options name.
func (o readOptions) open(s streams) func(context.Context, imager.Known) (device.Reader, error) {
	return func(ctx context.Context, k imager.Known) (device.Reader, error) {
		if o.kind == "" && !isSimulated(o.drive) {
			o.kind = k.Kind // a plain device or file does not know it
		}
		return openDrive(ctx, opening{node: o.drive, kind: o.kind, stall: o.stall, assume: o.assume, mains: o.mains,
			round: k.Round, passes: k.Passes}, s)
	}
}

// settings are what the user wants the drive to be set to.
func (o readOptions) settings(kind string) mapfile.Settings {
	s := mapfile.Settings{SpeedKBps: o.cap.of(kind)}
	if o.retries >= 0 {
		n := uint8(o.retries)
		s.Retries = &n
	}
	return s
}

// interrupted says that the user ended the command before a pass began, where
// that is what an error means.
func interrupted(err error, s streams) error {
	if !errors.Is(err, context.Canceled) {
		return err
	}
	tell(s.Err, "turnstone: interrupted before a pass began; nothing was read into the case\n")
	return codeError(exitMissing)
}

// explain adds to an error of the case's side what is safe, and says where the
// case stands by its files: what memory says of it may not be there.
func explain(err error, dir string, o readOptions, s streams) error {
	if m, lerr := imager.Load(dir); lerr == nil {
		if st := imager.StatusIn(dir, m); o.json {
			if jerr := printDocument(s.Out, st); jerr != nil {
				return errors.Join(err, jerr)
			}
		} else {
			tell(s.Out, "%s", standing(st))
		}
	}
	return fmt.Errorf("%w\nThe pass ended early. What is in the map of %s is in its image; go on with the same command", err, dir)
}

// nothingDone tells whether an error means that there was nothing to do, which is no
// failure.
func nothingDone(err error) bool {
	return errors.Is(err, imager.ErrNothingToAsk) || errors.Is(err, imager.ErrLittleLeft) || errors.Is(err, imager.ErrNoConflict)
}

// conclude says where the case stands after a pass, and how to go on.
func conclude(m *mapfile.Map, dir string, o readOptions, end imager.Ending, nothing error, s streams) error {
	st := imager.StatusIn(dir, m)
	if o.json {
		if err := printDocument(s.Out, st); err != nil {
			return err
		}
	} else {
		if errors.Is(nothing, imager.ErrNoConflict) {
			where := ""
			if !o.only.Empty() {
				where = " of those that --only names"
			}
			tell(s.Out, "No sector%s is in conflict: there is nothing to settle.\n", where)
		} else if errors.Is(nothing, imager.ErrLittleLeft) {
			tell(s.Out, "Nothing was asked: %s. --to-the-end goes on.\n", end.Why)
		} else if nothing != nil && st.Missing()+st.FormTwo.Missing() > 0 {
			tell(s.Out, "Nothing new to ask of this surface with this drive. Treated it? turnstone round %s … Otherwise another drive, or --again.\n", shellWord(dir))
		} else if nothing == nil {
			tell(s.Out, "Pass %d ended: %s.\n", end.Pass, end.Why)
		}
		tell(s.Out, "%s", standing(st))
		if st.OpenHere > 0 && (nothing == nil || errors.Is(nothing, imager.ErrLittleLeft)) {
			for _, line := range hourInWords(m) {
				tell(s.Out, "%s\n", line)
			}
		}
		if next := goOn(end, dir, o); st.Missing()+st.FormTwo.Missing() > 0 && next != "" {
			tell(s.Out, "%s\n", next)
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
	case st.Missing() > 0 || st.FormTwo.Missing() > 0:
		return codeError(exitMissing)
	}
	return nil
}

// goOn says what could bring more after a pass ended as it did.
func goOn(end imager.Ending, dir string, o readOptions) string {
	again := "turnstone read " + shellWord(dir)
	if o.drive != "" {
		again += " --drive " + shellWord(o.drive)
	}
	switch end.How {
	case imager.HowInterrupted, imager.HowBudget:
		return "Go on: " + again
	case imager.HowStalled:
		return "The case is intact. Where the drive does not answer any more, switch it off and on and wait until it is ready. Go on: " + again
	case imager.HowGone:
		return "The case is intact. See that the drive is connected and holds the disc, then go on: " + again
	case imager.HowOtherDisc:
		return "The case is intact. Put its own disc in, then go on: " + again
	case imager.HowLittleLeft:
		return "Another drive may read more, and so may a cleaner surface; --to-the-end goes on with this one. What to do first: turnstone status " + shellWord(dir)
	case imager.HowComplete:
		if o.settle {
			return ""
		}
		if !o.only.Empty() {
			return "Only what --only names was asked for."
		}
		return "Another drive may read more, and so may a cleaner surface; --again asks this drive once more. What to do first: turnstone status " + shellWord(dir)
	}
	return ""
}
