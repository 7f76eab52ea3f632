package main

import (
	"errors"
	"fmt"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var checkCommand = command{
	name:    "check",
	args:    "CASE",
	summary: "prove map and image against each other",
	about: fmt.Sprintf(`
Proves the map against itself and against the image: its length, and the
checksums of %d good sectors spread over the disc. It writes nothing. With
--deep every good sector is read, and those whose bytes no longer match, or that
lay beyond the end of an image that was cut off, are named by the pass that won them
and the file that they are of, and become "not asked yet", so that the next pass
reads them anew. With --files every whole file is held against the sum
that files --sums has kept of it.`, imager.CheckSample),
	example: "turnstone check anna-wedding --deep",
	setup:   setupCheck,
}

// checkDoc is the document of check --json.
type checkDoc struct {
	Consistent bool          `json:"consistent"`
	Compared   int64         `json:"compared"` // good sectors
	Rotten     []string      `json:"rotten"`   // first+count
	Losses     []imager.Loss `json:"losses"`   // the same by pass, with the files that they are of
	Problems   []string      `json:"problems"`

	// With --files: files that are as their sums say, and whole ones without a sum.
	Files         int `json:"files"`
	FilesUnlisted int `json:"files_unlisted"`
}

func setupCheck(f *pflag.FlagSet) action {
	deep := f.Bool("deep", false, "read every good sector, and take back those that do not match")
	files := f.Bool("files", false, "hold the files against the sums that are kept of them")
	asJSON := f.Bool("json", false, "one JSON document")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		res, after, err := checkCase(dir, *deep)
		if err != nil {
			return err
		}
		var sums imager.SumsCompared
		if *files {
			if sums, err = checkFiles(dir, s); err != nil {
				return err
			}
		}
		problems := append([]string{}, append(res.Problems, sums.Problems...)...)
		if *asJSON {
			doc := checkDoc{Consistent: len(problems) == 0, Compared: res.Compared, Rotten: []string{}, Losses: append([]imager.Loss{}, res.Losses...), Problems: problems,
				Files: sums.Compared, FilesUnlisted: sums.Unlisted}
			for r := range res.Rotten.Runs() {
				doc.Rotten = append(doc.Rotten, r.String())
			}
			if err := printDocument(s.Out, doc); err != nil {
				return err
			}
		} else {
			checkText(res, after, s)
			if *files {
				tell(s.Out, "%s\n", sumsInWords(sums))
			}
		}
		if len(problems) > 0 {
			return codeError(exitCheck)
		}
		return nil
	}
}

// checkFiles holds the files of a case against the sums that are kept of them.
func checkFiles(dir string, s streams) (res imager.SumsCompared, err error) {
	kept, err := imager.ReadSums(dir)
	if errors.Is(err, imager.ErrNoSums) {
		return res, fmt.Errorf("%w; make them: turnstone files %s --sums", err, shellWord(dir))
	} else if err != nil {
		return res, err
	}
	ctx, stop := untilInterrupted(s.Err)
	defer stop()
	files, err := imager.OpenFiles(dir)
	if errors.Is(err, imager.ErrImage) || damaged(err) {
		return res, nil // which is told of already
	} else if err != nil {
		return res, err
	}
	defer func() { err = errors.Join(err, files.Close()) }()
	res, err = files.CompareSums(ctx, kept)
	if err != nil {
		err = interruptedBy(ctx, err, "not all files were compared", s)
	}
	return res, err
}

// sumsInWords says how many files are as their sums say.
func sumsInWords(sums imager.SumsCompared) string {
	text := ""
	for _, p := range sums.Problems {
		text += p + ".\n"
	}
	text += filesAre(sums.Compared) + " as the kept sums say."
	if sums.Unlisted > 0 {
		text += fmt.Sprintf(" Of %s no sum is kept.", filesInWords(sums.Unlisted, "whole file"))
	}
	return text
}

// checkText says what was found, and what became of rotten sectors.
func checkText(res imager.CheckResult, after string, s streams) {
	for _, p := range res.Problems {
		tell(s.Out, "%s.\n", p)
	}
	for i, l := range res.Losses {
		if i == mostLosses {
			tell(s.Out, "  and %s more places; --json lists all of them\n", sector.Thousands(int64(len(res.Losses)-i)))
			break
		}
		tell(s.Out, "  %v\n", l)
	}
	switch {
	case len(res.Problems) == 0:
		tell(s.Out, "Map and image agree; %s good sectors were compared.\n", sector.Thousands(res.Compared))
	case !res.Rotten.Empty() || res.Short:
		tell(s.Out, "%s\n", after)
	}
}

// mostLosses is how many places are named for people.
const mostLosses = 20

// checkCase checks a case, with every good sector where deep is set; what is
// rotten is taken back then, for which the case must not be in use. After is what
// became of it, in a sentence.
func checkCase(dir string, deep bool) (res imager.CheckResult, after string, err error) {
	if !deep {
		res, err = imager.Check(dir, false)
		if res.Short {
			return res, wholeImageBack, err
		}
		return res, "Nothing was changed. turnstone check --deep finds all of them, so that they can be read anew.", err
	}
	if _, err := imager.Load(dir); err != nil && !damaged(err) {
		return res, "", err
	}
	c, err := imager.OpenUnproven(dir, writer())
	if errors.Is(err, imager.ErrInUse) {
		return res, "", err
	} else if err != nil { // the check says what is wrong with the case, if it is the case
		after = fmt.Sprintf("Nothing was changed, for the case can't be written to: %v.", err)
		res, err = imager.Check(dir, true)
		return res, after, err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	if res, err = c.Prove(); err != nil {
		return res, "", err
	}
	if res.Short {
		res.Problems = append([]string{lengthened(res)}, res.Problems...)
	}
	if res.Rotten.Empty() {
		return res, "Nothing good was lost.", err
	}
	return res, "They are \"not asked yet\" again; read them anew.", err
}

// lengthened says that the image has its length again.
func lengthened(res imager.CheckResult) string {
	return fmt.Sprintf("The image was shorter than the map says, and has its length again; of what lay beyond its end %s were good", sectors(res.CutOff))
}

func damaged(err error) bool {
	return errors.Is(err, mapfile.ErrDamaged) || errors.Is(err, mapfile.ErrEmpty) || errors.Is(err, mapfile.ErrForeign)
}
