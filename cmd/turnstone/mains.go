package main

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"time"

	"turnstone/device"
	"turnstone/device/optical"
)

// switchedDrive is an optical drive whose mains the user can have switched off and on
// by a command. That is the last step after a stall.
type switchedDrive struct {
	*optical.Drive
	command string
}

const (
	mainsStep device.Step = "mains off and on"
	// mainsTime is how long the command may take.
	mainsTime = 60 * time.Second
)

// Steps implements device.Reviver.
func (d *switchedDrive) Steps() []device.Step { return append(d.Drive.Steps(), mainsStep) }

// Revive implements device.Reviver.
func (d *switchedDrive) Revive(ctx context.Context, s device.Step) error {
	if s != mainsStep {
		return d.Drive.Revive(ctx, s)
	}
	node := d.Node()
	if node == "" {
		return fmt.Errorf("%s was not run: the drive is gone, and %s is another one now", d.command, d.Info().Node)
	}
	if err := switchMains(ctx, d.command, node); err != nil {
		return err
	}
	return d.Drive.Revive(ctx, device.Waiting)
}

// switchMains runs the user's command, with the drive's node as its argument.
func switchMains(ctx context.Context, command, node string) error {
	ctx, cancel := context.WithTimeout(ctx, mainsTime)
	defer cancel()
	c := exec.CommandContext(ctx, "sh", "-c", command+` "$@"`, "mains-switch", node)
	c.WaitDelay = time.Second // whatever it has started may hold its output open
	out, err := c.CombinedOutput()
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return fmt.Errorf("%s had not ended after %v", command, mainsTime)
	}
	if err != nil {
		return fmt.Errorf("%s: %w: %s", command, err, strings.TrimSpace(string(out)))
	}
	return nil
}
