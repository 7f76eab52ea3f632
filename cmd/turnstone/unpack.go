package main

import (
	"io"
	"os"

	"github.com/spf13/pflag"

	"turnstone/imager"
)

var unpackCommand = command{
	name:    "unpack",
	args:    "FILE CASE",
	summary: "take over what a pass file has and this case lacks",
	about: `
Takes over from a pass file, which pack made at another station, what this case
lacks; opens the case if it is new. Every sector is held against its checksum, and
where it comes from is kept: station, drive and round. What is good here stays as it
is; where both are good and differ, the two are in conflict, and the other side is
kept beside the image. A pass file of another disc is refused before anything is
written; one that was cut short gives what it has, and a whole one the rest.

The two stations count their rounds for themselves. What comes belongs to this
case's last round, and its own round is told with it; where you know which round of
this case that was, say --round N.

FILE may be - for standard input.`,
	example: "turnstone unpack anna-back.pass anna-wedding --round 1\n" +
		"ssh upstairs turnstone pack anna - | turnstone unpack - anna-wedding",
	setup: setupUnpack,
}

// unpackOptions are the options of unpack.
type unpackOptions struct {
	round *int // nil: the last one
	json  bool
}

func setupUnpack(f *pflag.FlagSet) action {
	var o unpackOptions
	round := f.Int("round", 0, "what comes was read in this `ROUND` of the case; if not said, it counts to the last one")
	f.BoolVar(&o.json, "json", false, "events as JSON lines to standard error, then the document of status --json")
	return func(args []string, s streams) error {
		if f.Changed("round") {
			o.round = round
		}
		switch len(args) {
		case 2:
			return unpack(args[0], args[1], o, s)
		case 0:
			return usagef("unpack what? Name a pass file and the case")
		case 1:
			return usagef("into which case? Name its folder; turnstone unpack FILE CASE")
		}
		return usagef("one pass file and one case at a time; %q is too much", args[2])
	}
}

func unpack(file, dir string, o unpackOptions, s streams) error {
	return takeOver{dir: dir, round: o.round, packed: true, json: o.json, open: func(io.Writer) ([]*imager.Source, error) {
		src, err := openPassFile(file, dir, s.In)
		if err != nil {
			return nil, err
		}
		return []*imager.Source{src}, nil
	}}.run(s)
}

// openPassFile opens a pass file; "-" is standard input.
func openPassFile(file, dir string, in io.Reader) (*imager.Source, error) {
	if file == "-" {
		if f, ok := in.(*os.File); ok && isTerminal(f) {
			return nil, usagef("a pass file does not come from a keyboard: name a file, or send one with |")
		}
		return imager.NewPassSource("standard input", in)
	}
	src, err := imager.OpenPassFile(file)
	if there, _ := imager.Exists(file); err != nil && there {
		return nil, usagef("%s is a case; take over from it with turnstone merge %s %s", file, shellWord(dir), shellWord(file))
	}
	return src, err
}
