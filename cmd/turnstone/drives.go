package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device"
	"turnstone/device/optical"
	"turnstone/device/sector"
)

var drivesCommand = command{
	name:    "drives",
	args:    "[NODE…|DIR]",
	summary: "drives, what lies in them, and how they are reached",
	about: `
Lists the drives that can be read, what lies in them and what is in the way;
optical drives first. Named nodes or image files are looked at instead of all.

With a folder of cases: how much each drive read, on the same surfaces, of what other
drives had been asked for in vain; so a lens that fouls is seen.`,
	example: "turnstone drives",
	setup:   setupDrives,
}

// patience is how long a drive may take to say what lies in it: one that spins a
// scratched disc up needs most of a minute.
const patience = 45 * time.Second

func setupDrives(f *pflag.FlagSet) action {
	asJSON := f.Bool("json", false, "one JSON document")
	return func(args []string, s streams) error {
		if len(args) == 1 && folderOfCases(args[0]) {
			return listShares(args[0], *asJSON, s)
		}
		ctx, stop := untilInterrupted(s.Err)
		defer stop()
		nodes := args
		if len(nodes) == 0 {
			var err error
			if nodes, err = blockNodes(); err != nil {
				return err
			}
		}
		found := []driveDoc{}
		for _, node := range nodes {
			found = append(found, look(ctx, node))
			if ctx.Err() != nil {
				return errors.New("interrupted")
			}
		}
		if *asJSON {
			return printDocument(s.Out, found)
		}
		if len(found) == 0 {
			fmt.Fprintln(s.Out, "No drive found. Is it connected, and switched on?")
		}
		for _, d := range found {
			d.print(s.Out)
		}
		return nil
	}
}

// driveDoc is one drive of drives --json. Of what is no optical drive only a few
// fields are known.
type driveDoc struct {
	optical.Description
	Optical bool   `json:"optical"`
	Name    string `json:"name,omitempty"` // vendor, model and serial
}

// look opens a drive for a moment, in a child process as always.
func look(ctx context.Context, node string) driveDoc {
	if device.OpticalNode(node) {
		d := driveDoc{Description: optical.Describe(ctx, node, patience), Optical: true}
		d.Name = device.Info{Vendor: d.Vendor, Model: d.Model, Serial: d.Serial}.Name()
		return d
	}
	d := driveDoc{Description: optical.Description{Node: node}}
	r, err := openNode(ctx, opening{node: node, stall: patience})
	if err != nil {
		d.Problem = err.Error()
		if open, ok := errors.AsType[*device.OpenError](err); ok {
			d.Problem, d.Cure = open.What, open.Cure
		}
		return d
	}
	defer r.Close()
	info := r.Info()
	d.Ready, d.Kind, d.Sectors = true, info.Kind, info.Sectors
	if name := info.Name(); name != info.Node {
		d.Name = name
	}
	return d
}

func (d driveDoc) print(w io.Writer) {
	what := "block device"
	switch info, err := os.Stat(d.Node); {
	case d.Optical:
		what = "optical drive"
	case isSimulated(d.Node):
		what = "simulated drive"
	case err == nil && info.Mode().IsRegular():
		what = "image file"
	case err != nil || info.Mode()&os.ModeDevice == 0 || info.Mode()&os.ModeCharDevice != 0:
		what = "no drive"
	}
	text := d.Node + "  " + what
	if d.Name != "" {
		text += ", " + d.Name
	}
	if d.Ready {
		tell(w, "%s: %s sectors (%s)\n", text, sector.Thousands(d.Sectors), size(d.Sectors))
	} else {
		tell(w, "%s: %s\n", text, d.Problem)
		if d.Cure != "" {
			tell(w, "  %s\n", d.Cure)
		}
	}
	for _, line := range ofDrive(d.Description) {
		tell(w, "  %s\n", line)
	}
}

// blockNodes lists the block devices that may hold something, optical drives
// first. Memory disks and loop devices without a file are left out.
func blockNodes() ([]string, error) {
	entries, err := os.ReadDir("/sys/block")
	if err != nil {
		return nil, err
	}
	var nodes []string
	for _, e := range entries {
		name := e.Name()
		if strings.HasPrefix(name, "ram") || strings.HasPrefix(name, "zram") {
			continue
		}
		if strings.HasPrefix(name, "loop") {
			if _, err := os.Stat(filepath.Join("/sys/block", name, "loop")); err != nil {
				continue
			}
		}
		nodes = append(nodes, "/dev/"+name)
	}
	slices.SortStableFunc(nodes, func(a, b string) int {
		switch {
		case device.OpticalNode(a) == device.OpticalNode(b):
			return strings.Compare(a, b)
		case device.OpticalNode(a):
			return -1
		}
		return 1
	})
	return nodes, nil
}
