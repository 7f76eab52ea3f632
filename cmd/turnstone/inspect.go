package main

import (
	"errors"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"turnstone/imager"
	"turnstone/mapfile"
)

var inspectCommand = command{
	name:    "inspect",
	args:    "CASE",
	summary: "note what the eye saw; opens the case if it is new",
	about: `
Notes what the eye saw before the disc was spun. Hold it against the light: a
crack, often at the hub, can burst the disc in the drive, so a disc noted as
cracked is not read. Where light comes through the label side of a CD the data
is gone. Given again, it changes what is said anew and keeps the rest.`,
	example: "turnstone inspect anna-wedding --crack no --label sound --size 12 --by Sam",
	setup:   setupInspect,
}

func setupInspect(f *pflag.FlagSet) action {
	var seen mapfile.Seen
	f.StringVar(&seen.Crack, "crack", "", "is there a crack: `yes|no`")
	f.StringVar(&seen.Fragile, "fragile", "", "to be treated with care by the drive too: `yes|no`")
	f.StringVar(&seen.Label, "label", "", "the label side: `sound|holes`")
	f.IntVar(&seen.SizeCM, "size", 0, "the disc's diameter in cm: `8|12`")
	f.StringVar(&seen.By, "by", "", "`NAME` of who looked")
	f.StringVar(&seen.Note, "note", "", "`TEXT` for the file of the job")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		for _, o := range []struct {
			name, value string
			words       []string
		}{
			{"crack", seen.Crack, []string{"yes", "no"}}, {"fragile", seen.Fragile, []string{"yes", "no"}},
			{"label", seen.Label, []string{"sound", "holes"}},
		} {
			if o.value != "" && !slices.Contains(o.words, o.value) {
				return usagef("--%s %q: say %s", o.name, o.value, strings.Join(o.words, " or "))
			}
		}
		if f.Changed("size") && seen.SizeCM != 8 && seen.SizeCM != 12 {
			return usagef("--size %d: say 8 or 12, in cm", seen.SizeCM)
		}
		for _, o := range []struct {
			name string
			text *string
		}{{"by", &seen.By}, {"note", &seen.Note}} {
			var err error
			if *o.text, err = plainText(o.name, *o.text); err != nil {
				return err
			}
		}
		if seen == (mapfile.Seen{}) {
			return usagef("what did you see? --crack yes or --crack no, for a start")
		}
		return inspect(dir, seen, s)
	}
}

func inspect(dir string, seen mapfile.Seen, s streams) (err error) {
	there, err := imager.Exists(dir)
	if err != nil {
		return err
	}
	var c *imager.Case
	if there {
		c, err = imager.Open(dir, writer())
	} else {
		c, err = imager.Create(dir, writer(), mapfile.Disc{Kind: "unknown", BlockSectors: 16})
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	if err := c.Inspected(seen); err != nil {
		return err
	}
	noted := *c.Map().Disc().Seen
	tell(s.Out, "Noted: %s.\n", imager.SeenInWords(noted))
	for _, line := range afterInspection(noted) {
		tell(s.Err, "%s\n", line)
	}
	return nil
}

// afterInspection is what follows from what was seen.
func afterInspection(seen mapfile.Seen) []string {
	var out []string
	if seen.Crack == "yes" {
		out = append(out, "A cracked disc can burst at speed: this case will not be read. What is left is what was read before, and a laboratory.")
	}
	if seen.Fragile == "yes" {
		out = append(out, "It will get no reset, reload or power switch without a question. A drive still spins as it likes while it recognises a disc.")
	}
	if seen.Label == "holes" {
		out = append(out, "Light through the disc means that data is gone there; polishing won't help it.")
	}
	if seen.SizeCM == 8 {
		out = append(out, "8 cm: in a tray only, without an adapter; never back into the camcorder, which may offer to format it.")
	}
	return out
}
