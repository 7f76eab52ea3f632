package main

import (
	"encoding/json"
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
checksums of %d good sectors spread over the disc. It writes nothing. With --deep
every good sector is read, and those whose bytes no longer match become "not
asked yet", so that the next pass reads them anew.`, imager.CheckSample),
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
		res, err := checkCase(dir, *deep)
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
			b, err := json.MarshalIndent(doc, "", "  ")
			if err != nil {
				return err
			}
			fmt.Fprintf(s.Out, "%s\n", b)
		} else {
			checkText(res, *deep, s)
		}
		if len(res.Problems) > 0 {
			return codeError(exitCheck)
		}
		return nil
	}
}

func checkText(res imager.CheckResult, deep bool, s streams) {
	for _, p := range res.Problems {
		fmt.Fprintf(s.Out, "%s.\n", p)
	}
	switch {
	case len(res.Problems) == 0:
		fmt.Fprintf(s.Out, "Map and image agree; %s good sectors were compared.\n", thousands(res.Compared))
	case !res.Rotten.Empty() && deep:
		fmt.Fprintf(s.Out, "They are \"not asked yet\" again; read them anew.\n")
	case !res.Rotten.Empty():
		fmt.Fprintf(s.Out, "Nothing was changed. turnstone check --deep finds all of them, so that they can be read anew.\n")
	}
}

// checkCase checks a case, with every good sector where deep is set; what is
// rotten is taken back then, for which the case must not be in use.
func checkCase(dir string, deep bool) (res imager.CheckResult, err error) {
	if !deep {
		return imager.Check(dir, false)
	}
	if _, err := imager.Load(dir); err != nil && !damaged(err) {
		return res, err
	}
	c, err := imager.OpenUnproven(dir, writer())
	if errors.Is(err, imager.ErrInUse) {
		return res, err
	} else if err != nil {
		return imager.Check(dir, true) // which says what is wrong
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	if res, err = imager.Check(dir, true); err != nil || res.Rotten.Empty() {
		return res, err
	}
	return res, c.TakeBackRotten(res.Rotten)
}

func damaged(err error) bool {
	return errors.Is(err, mapfile.ErrDamaged) || errors.Is(err, mapfile.ErrEmpty) || errors.Is(err, mapfile.ErrForeign)
}
