package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var packCommand = command{
	name:    "pack",
	args:    "CASE FILE",
	summary: "put map and good sectors into one file, for another station",
	about: `
Makes a pass file of a case: its map, its good sectors, and both sides of what is in
conflict, compressed; of a Video CD its sectors of form 2 as well. unpack takes it over at the other station. With --since-round
only what that round and later ones brought is packed; with --only what the other
station lists with status --list missing. It only reads the case, and works while a
pass runs.

The file holds the customer's data, unencrypted, and is made for its owner only.
It must not exist yet. FILE may be - for standard output.`,
	example: "turnstone pack anna anna-back.pass --only @missing.txt\n" +
		"turnstone pack anna - | ssh upstairs turnstone unpack - anna-wedding",
	setup: setupPack,
}

// packOptions are the options of pack.
type packOptions struct {
	since int
	only  *sector.Set // nil: all
	json  bool
}

// packDoc is the document of pack --json.
type packDoc struct {
	Sectors int64    `json:"sectors"` // of the image
	Others  int64    `json:"others"`  // other sides of conflicts
	FormTwo int64    `json:"form2"`   // sectors of 2,324 bytes, from beside the image
	Bytes   int64    `json:"bytes"`   // of the file
	Lost    []string `json:"lost"`    // first+count: good ones that did not match their checksums
}

func setupPack(f *pflag.FlagSet) action {
	var o packOptions
	var only sector.Set
	f.IntVar(&o.since, "since-round", 0, "only what this `ROUND` and later ones brought")
	f.Var(rangesValue{&only}, "only", "only these sectors: 100-199, 100+100, 100, several with commas, or @FILE")
	f.BoolVar(&o.json, "json", false, "one JSON document")
	return func(args []string, s streams) error {
		if f.Changed("only") {
			o.only = &only
		}
		switch {
		case len(args) == 0:
			return usagef("which case? Name its folder")
		case len(args) == 1:
			return usagef("into which file? turnstone pack %s FILE", shellWord(args[0]))
		case len(args) > 2:
			return usagef("one case and one file at a time; %q is too much", args[2])
		case args[1] == "-" && o.json:
			return usagef("--json goes to standard output, and so would the pass file: name a file")
		}
		return packCase(args[0], args[1], o, s)
	}
}

// privacy is what whoever packs must know.
const privacy = "This file holds the customer's data, unencrypted. Encrypt it before it leaves the shop.\n"

func packCase(dir, file string, o packOptions, s streams) error {
	ctx, stop := untilInterrupted(s.Err)
	defer stop()
	line := newExtractLine(s.Err)
	p := imager.Packing{Since: o.since, Only: o.only, Now: time.Now(),
		Tell: func(done, all int64) { line.tell(done, all, file) }}
	var res imager.Packed
	var err error
	words := s.Out
	if file == "-" {
		if f, ok := s.Out.(*os.File); ok && isTerminal(f) {
			return usagef("a pass file is nothing for a terminal: name a file, or send it on with |")
		}
		words = s.Err
		res, err = imager.Pack(ctx, dir, s.Out, p)
	} else {
		res, err = imager.PackFile(ctx, dir, file, p)
	}
	line.wipe()
	switch {
	case errors.Is(err, imager.ErrNothingToPack):
		return fmt.Errorf("%s: %w: no good sector is among what is asked for; no file was made", dir, err)
	case errors.Is(err, mapfile.ErrUnknown):
		return usagef("--since-round %d: the case has no such round", o.since)
	case ctx.Err() != nil && err != nil:
		return interruptedBy(ctx, err, "no file was made", s)
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%s is there already; name a new file, or remove it first", file)
	case err != nil:
		return err
	}
	if o.json {
		doc := packDoc{Sectors: res.Sectors, Others: res.Others, FormTwo: res.FormTwo, Bytes: res.Bytes, Lost: []string{}}
		for r := range res.Lost.Runs() {
			doc.Lost = append(doc.Lost, r.String())
		}
		if err := printDocument(s.Out, doc); err != nil {
			return err
		}
		tell(s.Err, privacy)
	} else {
		tell(words, "%s", packedText(dir, file, res)+privacy)
	}
	if !res.Lost.Empty() {
		return codeError(exitCheck)
	}
	return nil
}

// packedText says what was packed.
func packedText(dir, file string, res imager.Packed) string {
	text := fmt.Sprintf("Packed %s (%s)", sectors(res.Sectors), size(res.Sectors))
	if res.Others > 0 {
		text += fmt.Sprintf(" and the other sides of %s in conflict", sectors(res.Others))
	}
	if res.FormTwo > 0 {
		text += fmt.Sprintf(" and %s of form 2 from beside the image", sectors(res.FormTwo))
	}
	if file == "-" {
		file = "standard output"
	}
	text += fmt.Sprintf(", with the map, into %s: %s.\n", shown(file), bytesInWords(res.Bytes))
	if n := res.Lost.Count(); n > 0 {
		text += fmt.Sprintf("%s, good by the case, %s not there as %s came, and %s not packed. What finds all that is so:\n  turnstone check --deep %s\n",
			sectors(n), be(n), they(n), be(n), shellWord(dir))
	}
	return text
}
