package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"turnstone/imager"
)

var extractCommand = command{
	name:    "extract",
	args:    "CASE DIR [NAME…]",
	summary: "write the files out",
	about: `
Writes the disc's files into the folder DIR, which must be absent or empty: those that
are named as with want, else those that are wanted, and all where everything is. Each
gets its name once it is there in full. A damaged file has zeros where bytes are
missing, and beside it a list of these, NAME.missing.txt; --damaged skip leaves such
files out, and --damaged cut writes films so that players open them: without what can't
be shown, and a disc's recordings that lie in one file each by itself. Names that could
do harm, or that differ in nothing but case, are changed, and links are not made: both
are listed. Where directories are missing, what is found by content is written into a
folder of its own. Exit code 3 says that a file is damaged, 5 that one is disputed or
that the image is not as it came.`,
	example: "turnstone extract anna-wedding wedding-films 'VTS_*.VOB'",
	setup:   setupExtract,
}

func setupExtract(f *pflag.FlagSet) action {
	damaged := f.String("damaged", "keep", "what becomes of damaged files: `keep|skip|cut`")
	asJSON := f.Bool("json", false, "one JSON document")
	return func(args []string, s streams) error {
		switch {
		case len(args) == 0:
			return usagef("which case, and into which folder? turnstone extract CASE DIR")
		case len(args) == 1:
			return usagef("into which folder? turnstone extract %s DIR", shellWord(args[0]))
		case *damaged != "keep" && *damaged != "skip" && *damaged != "cut":
			return usagef("--damaged %q: say keep, skip or cut", *damaged)
		}
		return extract(args[0], args[1], imager.Extraction{Names: args[2:], SkipDamaged: *damaged == "skip", Cut: *damaged == "cut"}, *asJSON, s)
	}
}

func extract(dir, to string, o imager.Extraction, asJSON bool, s streams) (err error) {
	ctx, stop := untilInterrupted(s.Err)
	defer stop()
	files, err := imager.OpenFiles(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, files.Close()) }()
	if names := files.Asked(o.Names); files.Lost() && (len(names) == 0 || !files.Tell(names)) {
		if err := findByContent(ctx, files, s); err != nil {
			return interruptedBy(ctx, err, "nothing was written", s)
		}
	}
	line := newExtractLine(s.Err)
	o.Progress = line.tell
	res, err := files.Extract(ctx, to, o)
	line.wipe()
	switch {
	case errors.Is(err, imager.ErrNoSuchFile):
		return noSuchFile(err, dir)
	case errors.Is(err, imager.ErrFolderTaken), errors.Is(err, imager.ErrOverlap):
		return usageError{err.Error()}
	case err != nil && res.Files > 0:
		return fmt.Errorf("%w\nWhat has its name in %s is whole, or has its list beside it", err, to)
	case err != nil:
		return err
	}
	if asJSON {
		if err := printDocument(s.Out, res); err != nil {
			return err
		}
	} else {
		tell(s.Out, "%s", extractedText(res, to))
	}
	return codeAfterExtract(res, rottenFound(files, dir, s))
}

// codeAfterExtract is the exit code of what was written out.
func codeAfterExtract(res imager.Extracted, rotten bool) error {
	missing := res.Interrupted || len(res.Damaged)+len(res.Skipped) > 0
	for _, l := range res.LeftOut {
		missing = missing || l.File
	}
	for _, d := range res.Damaged {
		if d.Disputed > 0 {
			return codeError(exitCheck)
		}
	}
	switch {
	case rotten:
		return codeError(exitCheck)
	case missing:
		return codeError(exitMissing)
	}
	return nil
}

// extractedText says what was written, and what not or not so.
func extractedText(res imager.Extracted, to string) string {
	var b strings.Builder
	if res.Interrupted {
		fmt.Fprintf(&b, "Interrupted: the rest was not written. ")
	}
	fmt.Fprintf(&b, "Into %s: %s, %s.\n", to, filesInWords(res.Files, "file"), bytesInWords(res.Bytes))
	if n := res.NotAskedFor; n > 0 {
		fmt.Fprintf(&b, "Not asked for, and not written: %s. Name what you want of them, or '*' for all.\n", filesInWords(n, "more file"))
	}
	for _, d := range res.Damaged {
		fmt.Fprintf(&b, "  %s  ", shown(d.Path))
		var what []string
		if d.Missing > 0 {
			what = append(what, fmt.Sprintf("damaged, %s missing", bytesInWords(d.Missing)))
		}
		if d.Why != "" {
			what = append(what, "unknown: "+d.Why)
		}
		if d.Disputed > 0 {
			what = append(what, sectors(d.Disputed)+" in conflict")
		}
		fmt.Fprintf(&b, "%s; listed in %s\n", strings.Join(what, "; "), shown(d.List))
	}
	for _, p := range res.Skipped {
		fmt.Fprintf(&b, "  %s  not whole, and not written\n", shown(p))
	}
	for _, l := range res.LeftOut {
		fmt.Fprintf(&b, "  %s  not written: %s\n", shown(l.Path), shown(l.Why))
	}
	for _, r := range res.Renamed {
		fmt.Fprintf(&b, "  %s  is written as %s\n", shown(r.Path), shown(r.As))
	}
	return b.String()
}

// extractLine is how far the writing is, on a terminal; elsewhere nothing is said.
type extractLine struct {
	f     *os.File // nil: nobody looks
	last  time.Time
	drawn bool
}

func newExtractLine(w io.Writer) *extractLine {
	f, ok := w.(*os.File)
	if !ok || !isTerminal(f) {
		f = nil
	}
	return &extractLine{f: f}
}

func (l *extractLine) tell(done, all int64, name string) {
	if l.f == nil || time.Since(l.last) < redrawEvery {
		return
	}
	l.last, l.drawn = time.Now(), true
	text := fmt.Sprintf("%s of %s, %s", bytesInWords(done), bytesInWords(all), shown(name))
	fmt.Fprintf(l.f, "\r%s\x1b[K", fit(text, width(l.f)-1))
}

func (l *extractLine) wipe() {
	if l.drawn {
		fmt.Fprint(l.f, "\r\x1b[K")
	}
}
