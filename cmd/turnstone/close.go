package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/pflag"

	"turnstone/imager"
	"turnstone/mapfile"
)

var closeCommand = command{
	name:    "close",
	args:    "CASE",
	summary: "end a case, and note until when its data is kept",
	about: `
Notes that the work on a case is done, and until the end of which day image and files
are kept. Nothing is deleted: discard does that, and asks before that day. A pass, a
merge or a round on a closed case opens it again.`,
	example: "turnstone close anna-wedding --keep-until 2027-05-31",
	setup:   setupClose,
}

func setupClose(f *pflag.FlagSet) action {
	until := f.String("keep-until", "", "the last `DATE` on which the data is kept, as 2027-05-31")
	by := f.String("by", "", "`NAME` of who closes it")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		who, err := plainText("by", *by)
		if err != nil {
			return err
		}
		if *until == "" {
			return usagef("until when are image and files kept? turnstone close %s --keep-until 2027-05-31", shellWord(dir))
		}
		day, err := time.ParseInLocation(time.DateOnly, *until, time.Local)
		if err != nil {
			return usagef("--keep-until %q: say a day as 2027-05-31", *until)
		}
		if over(day, time.Now()) {
			return usagef("--keep-until %s: that day is over", *until)
		}
		return closeCase(dir, *until, who, s)
	}
}

// over tells whether a day has ended.
func over(day, now time.Time) bool { return !now.Before(day.AddDate(0, 0, 1)) }

func closeCase(dir, until, by string, s streams) (err error) {
	c, err := imager.Open(dir, writer())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	if err := c.CloseCase(until, by); err != nil {
		return err
	}
	tell(s.Out, "Closed; image and files are kept until %s.\n", dayInWords(until))
	tell(s.Out, "%s", standing(imager.StatusIn(dir, c.Map())))
	tell(s.Out, "The pages to hand over: turnstone report %s. After that day: turnstone discard %s\n", shellWord(dir), shellWord(dir))
	return nil
}

// dayInWords is a day as people read it: "31 May 2027".
func dayInWords(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format("2 January 2006")
}

// closingInWords is how a case was ended, in sentences; "" of an open one.
func closingInWords(c *mapfile.Closing, dir string, now time.Time) string {
	if c == nil {
		return ""
	}
	by := ""
	if c.By != "" {
		by = " by " + c.By
	}
	at := c.At.Local().Format("2 January 2006")
	switch c.State {
	case mapfile.Discarded:
		return fmt.Sprintf("Discarded on %s%s: image, files and names are deleted. These are its figures.\n", at, by)
	case mapfile.Discarding:
		return fmt.Sprintf("Its discarding was begun on %s%s and not finished: what is left of image and files does not count. Finish it: turnstone discard %s\n",
			at, by, shellWord(dir))
	}
	text := fmt.Sprintf("Closed on %s%s.", at, by)
	if c.KeepUntil == "" {
		return text + "\n"
	}
	if keptTime(*c, now) {
		return fmt.Sprintf("%s Image and files are kept until %s.\n", text, dayInWords(c.KeepUntil))
	}
	return fmt.Sprintf("%s Image and files were to be kept until %s: delete them with turnstone discard %s\n", text, dayInWords(c.KeepUntil), shellWord(dir))
}

// closingInShort is how a case was ended, for a column.
func closingInShort(c mapfile.Closing, now time.Time) string {
	switch {
	case c.State == mapfile.Discarded:
		return "discarded " + c.At.Local().Format(time.DateOnly)
	case c.State == mapfile.Discarding:
		return "finish its discarding"
	case c.KeepUntil != "" && !keptTime(c, now):
		return "discard it: kept until " + c.KeepUntil
	}
	return "closed, kept until " + c.KeepUntil
}

// keptTime tells whether a case's data is to be kept still, by what was said at its
// closing.
func keptTime(c mapfile.Closing, now time.Time) bool {
	day, err := time.ParseInLocation(time.DateOnly, c.KeepUntil, now.Location())
	return err == nil && !over(day, now)
}

// discardedNote is what an error says of a case whose data is deleted.
func discardedNote(err error) string {
	var gone *imager.DiscardedError
	if !errors.As(err, &gone) {
		return ""
	}
	dir := shellWord(gone.Dir)
	if gone.Closing.State == mapfile.Discarding {
		return "Finish it: turnstone discard " + dir
	}
	return fmt.Sprintf("Its figures are kept: turnstone status %s and turnstone report %s tell them. To read the disc anew, name a new folder.", dir, dir)
}
