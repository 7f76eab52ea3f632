package main

import (
	"context"
	"fmt"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/pflag"

	"turnstone/imager"
)

var stopCommand = command{
	name:    "stop",
	args:    "CASE",
	summary: "end the pass that another process runs, and stop the disc",
	about: `
Ends the pass that another process runs on the case, from another terminal: what came
is saved, and where the drive can be told so, the disc comes to rest. For when there
is a noise in the drive. Don't load the disc again until you know what it was.`,
	example: "turnstone stop anna-wedding",
	setup: func(*pflag.FlagSet) action {
		return func(args []string, s streams) error {
			dir, err := oneCase(args)
			if err != nil {
				return err
			}
			return stop(dir, s)
		}
	},
}

// How long a pass may take to save and end once it was told to, and how often is
// looked.
const (
	stopPatience = 30 * time.Second
	stopLook     = 50 * time.Millisecond
)

func stop(dir string, s streams) error {
	ctx, done := untilInterrupted(s.Err)
	defer done()
	if there, err := imager.Exists(dir); err != nil {
		return err
	} else if !there {
		return fmt.Errorf("%s: %w", dir, imager.ErrNoCase)
	}
	if err := refuseDiscarded(dir); err != nil {
		return err
	}
	user, err := imager.UserOf(dir)
	switch {
	case err != nil:
		return err
	case user == nil:
		tell(s.Out, "No pass runs on %s.\n", dir)
		return nil
	case user.PID == 0 || !runsPasses(user.Command):
		return fmt.Errorf("%w: that is no pass, and ends by itself", user)
	}
	if err := syscall.Kill(user.PID, stopSignal); err != nil {
		return fmt.Errorf("process %d: %w", user.PID, err)
	}
	if err := untilFree(ctx, dir, user.PID); err != nil {
		return err
	}
	m, err := imager.Load(dir)
	if err != nil {
		return err
	}
	tell(s.Out, "The pass of process %d was ended; what came is saved. Don't load the disc again until you know the noise.\n", user.PID)
	tell(s.Out, "%s", standing(imager.StatusIn(dir, m)))
	return nil
}

// runsPasses tells whether a command line is of one that runs passes, and listens to
// the signal of stop: bench ends all of its own then.
func runsPasses(command string) bool {
	name, _, _ := strings.Cut(strings.TrimPrefix(command, "turnstone "), " ")
	return name == readCommand.name || name == benchCommand.name
}

// untilFree waits until a process does not write into the case any more.
func untilFree(ctx context.Context, dir string, pid int) error {
	late := time.After(stopPatience)
	look := time.NewTicker(stopLook)
	defer look.Stop()
	for {
		user, err := imager.UserOf(dir)
		if err != nil || user == nil || user.PID != pid {
			return err
		}
		select {
		case <-look.C:
		case <-ctx.Done():
			return fmt.Errorf("process %d was told to end; not waited for", pid)
		case <-late:
			return fmt.Errorf("process %d was told to end %v ago and has not; switch the drive off: the case stays whole", pid, stopPatience)
		}
	}
}
