package faultydisc

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device/sector"
)

// Verb is what a Command does, as it is typed.
type Verb string

// The verbs. What each does stands at the method of Disc with its name.
const (
	Fail    Verb = "fail"
	Delay   Verb = "delay"
	Hang    Verb = "hang"
	Release Verb = "release"
	Gone    Verb = "gone"
	Abort   Verb = "abort"
	Heal    Verb = "heal"
	Count   Verb = "counts"
	Log     Verb = "log"
	Reset   Verb = "reset"
	Await   Verb = "await"
)

// Always is the number of times of a fault that never wears off.
const Always = -1

// Command is one change of the script, or one question.
type Command struct {
	Do      Verb
	Sectors sector.Range  // fail, delay, hang
	Errno   syscall.Errno // fail
	Wait    time.Duration // delay
	Times   int           // fail, delay: Always or 1 and more; await: requests, 1 and more
}

// Errnos are the errors that the kernel's block layer carries from the FUSE file
// to a reader of the loop device as they are. What else a driver may say has no
// meaning for a disc, or arrives as EIO.
func Errnos() []syscall.Errno {
	return []syscall.Errno{
		syscall.EIO, syscall.ENODATA, syscall.ETIMEDOUT, syscall.ENODEV,
		syscall.EREMOTEIO, syscall.EILSEQ, syscall.EAGAIN,
	}
}

// check finds what is wrong with a command for a disc of n sectors.
func (c Command) check(n int64) error {
	switch c.Do {
	case Fail, Delay, Hang:
		if c.Sectors.Empty() || !(sector.Range{End: sector.LBA(n)}).Covers(c.Sectors) {
			return fmt.Errorf("sectors %v are not on a disc of %d sectors", c.Sectors, n)
		}
	case Release, Gone, Abort, Heal, Count, Log, Reset, Await:
	default:
		return fmt.Errorf("there is no command %q", string(c.Do))
	}
	switch {
	case c.Do == Fail && !slices.Contains(Errnos(), c.Errno):
		return fmt.Errorf("%s does not reach a reader as it is; these do: %s", errnoName(c.Errno), errnoNames())
	case c.Do == Delay && c.Wait <= 0:
		return fmt.Errorf("a delay of %v is none", c.Wait)
	case (c.Do == Fail || c.Do == Delay) && c.Times != Always && c.Times < 1,
		c.Do == Await && c.Times < 1:
		return fmt.Errorf("%d times is never", c.Times)
	}
	return nil
}

// String is the command as ParseCommand reads it.
func (c Command) String() string {
	words := []string{string(c.Do)}
	switch c.Do {
	case Fail:
		words = append(words, c.Sectors.String(), errnoName(c.Errno))
	case Delay:
		words = append(words, c.Sectors.String(), c.Wait.String())
	case Hang:
		words = append(words, c.Sectors.String())
	}
	if c.Times != 0 && c.Times != Always {
		words = append(words, strconv.Itoa(c.Times))
	}
	return strings.Join(words, " ")
}

// ParseCommand reads a command as people type it:
//
//	fail SECTORS [ERRNO] [TIMES]   EIO and every time if nothing is said
//	delay SECTORS TIME [TIMES]     a time like 500ms or 20s
//	hang SECTORS
//	await [REQUESTS]               one if nothing is said
//	release  gone  abort  heal  counts  log  reset
//
// SECTORS is "first-last", "first+count" or one number. The error names the word
// that is wrong; whether the sectors are on the disc is not known here.
func ParseCommand(line string) (Command, error) {
	words := strings.Fields(line)
	if len(words) == 0 {
		return Command{}, fmt.Errorf("no command")
	}
	c := Command{Do: Verb(words[0])}
	words = words[1:]
	var err error
	switch c.Do {
	case Fail, Delay, Hang:
		if len(words) == 0 {
			return Command{}, fmt.Errorf("%s: which sectors?", c.Do)
		}
		if c.Sectors, err = sector.ParseRange(words[0]); err != nil {
			return Command{}, fmt.Errorf("%s: %w", c.Do, err)
		}
		words = words[1:]
	case Await:
		c.Times = 1
	case Release, Gone, Abort, Heal, Count, Log, Reset:
	default:
		return Command{}, fmt.Errorf("there is no command %q", string(c.Do))
	}
	switch c.Do {
	case Fail:
		c.Errno, c.Times = syscall.EIO, Always
		if len(words) > 0 && !isDigit(words[0][0]) {
			if c.Errno, err = parseErrno(words[0]); err != nil {
				return Command{}, err
			}
			words = words[1:]
		}
	case Delay:
		c.Times = Always
		if len(words) == 0 {
			return Command{}, fmt.Errorf("delay: how long?")
		}
		if c.Wait, err = time.ParseDuration(words[0]); err != nil || c.Wait <= 0 {
			return Command{}, fmt.Errorf("delay: %q is not a time like 500ms or 20s", words[0])
		}
		words = words[1:]
	}
	if len(words) > 0 && c.Times != 0 {
		if c.Times, err = strconv.Atoi(words[0]); err != nil || c.Times < 1 {
			return Command{}, fmt.Errorf("%s: %q is not a number of times", c.Do, words[0])
		}
		words = words[1:]
	}
	if len(words) > 0 {
		return Command{}, fmt.Errorf("%s: %q is one word too many", c.Do, words[0])
	}
	return c, nil
}

func isDigit(b byte) bool { return '0' <= b && b <= '9' }

// parseErrno is the error of Errnos that is called so.
func parseErrno(name string) (syscall.Errno, error) {
	for _, e := range Errnos() {
		if errnoName(e) == strings.ToUpper(name) {
			return e, nil
		}
	}
	return 0, fmt.Errorf("fail: %q is none of %s", name, errnoNames())
}

// errnoName is the name of an error as the kernel's headers have it.
func errnoName(e syscall.Errno) string {
	if name := unix.ErrnoName(e); name != "" {
		return name
	}
	return fmt.Sprintf("errno %d", int(e))
}

// errnoNames lists Errnos.
func errnoNames() string {
	var names []string
	for _, e := range Errnos() {
		names = append(names, errnoName(e))
	}
	return strings.Join(names, " ")
}
