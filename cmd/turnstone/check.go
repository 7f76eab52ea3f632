package main

import (
	"errors"
	"fmt"

	"github.com/spf13/pflag"

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
lay beyond the end of an image that was cut off, become "not asked yet", so that
the next pass reads them anew.`, imager.CheckSample),
	example: "turnstone check anna-wedding --deep",
	setup:   setupCheck,
}

// checkDoc is the document of check --json.
type checkDoc struct {
	Consistent bool     `json:"consistent"`
	Compared   int64    `json:"compared"` // good sectors
	Rotten     []string `json:"rotten"`   // first+count
	Problems   []string `json:"problems"`
}

func setupCheck(f *pflag.FlagSet) action {
	deep := f.Bool("deep", false, "read every good sector, and take back those that do not match")
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
		if *asJSON {
			doc := checkDoc{Consistent: len(res.Problems) == 0, Compared: res.Compared, Rotten: []string{}, Problems: res.Problems}
			if doc.Problems == nil {
				doc.Problems = []string{}
			}
			for r := range res.Rotten.Runs() {
				doc.Rotten = append(doc.Rotten, r.String())
			}
			if err := printDocument(s.Out, doc); err != nil {
				return err
			}
		} else {
			checkText(res, after, s)
		}
		if len(res.Problems) > 0 {
			return codeError(exitCheck)
		}
		return nil
	}
}

// checkText says what was found, and what became of rotten sectors.
func checkText(res imager.CheckResult, after string, s streams) {
	for _, p := range res.Problems {
		tell(s.Out, "%s.\n", p)
	}
	switch {
	case len(res.Problems) == 0:
		fmt.Fprintf(s.Out, "Map and image agree; %s good sectors were compared.\n", thousands(res.Compared))
	case !res.Rotten.Empty() || res.Short:
		tell(s.Out, "%s\n", after)
	}
}

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
	lost, short, err := c.TakeBackCutOff()
	if err != nil {
		return res, "", err
	}
	if res, err = imager.Check(dir, true); err != nil {
		return res, "", err
	}
	if !res.Rotten.Empty() {
		err = c.TakeBackRotten(res.Rotten)
	}
	if short {
		res.Short = true
		res.Problems = append([]string{fmt.Sprintf(
			"The image was shorter than the map says, and has its length again; of what lay beyond its end %s were good", sectors(lost.Count()))},
			res.Problems...)
	}
	if res.Rotten = res.Rotten.Union(&lost); res.Rotten.Empty() {
		return res, "Nothing good was lost.", err
	}
	return res, "They are \"not asked yet\" again; read them anew.", err
}

func damaged(err error) bool {
	return errors.Is(err, mapfile.ErrDamaged) || errors.Is(err, mapfile.ErrEmpty) || errors.Is(err, mapfile.ErrForeign)
}
