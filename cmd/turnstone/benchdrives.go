package main

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"turnstone/cmd/turnstone/bench"
	"turnstone/device"
	"turnstone/imager"
)

// benchDrives is the drives that the page offers: those that were named, or else the
// optical drives of this machine.
type benchDrives struct {
	o benchOptions
	s streams

	mu   sync.Mutex
	last map[string]bench.Drive // as they were looked at last
	seq  map[string]string      // the kernel's disk sequence number then
}

func newBenchDrives(o benchOptions, s streams) *benchDrives {
	return &benchDrives{o: o, s: s, last: map[string]bench.Drive{}, seq: map[string]string{}}
}

// Look implements bench.Drives.
func (d *benchDrives) Look(ctx context.Context, busy func(node string) bool) []bench.Drive {
	nodes := d.o.drives
	if len(nodes) == 0 {
		found, _ := blockNodes()
		nodes = slices.DeleteFunc(found, func(n string) bool { return !device.OpticalNode(n) })
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	var all []bench.Drive
	for _, n := range nodes {
		was, known := d.last[n]
		seq := diskSequence(n)
		if !known || !busy(n) && !(was.Disc != "" && seq == d.seq[n]) {
			was = lookFor(ctx, n, seq)
			d.last[n], d.seq[n] = was, seq
		}
		all = append(all, was)
	}
	return all
}

// lookFor looks at one drive for the page.
func lookFor(ctx context.Context, node, seq string) bench.Drive {
	found := look(ctx, node)
	d := bench.Drive{Node: node, Name: found.Name, Pretend: isSimulated(node)}
	if d.Name == "" {
		d.Name = filepath.Base(node)
	}
	switch {
	case found.Ready:
		d.Disc = node + " " + seq
	default:
		d.Problem = upper(strings.TrimSpace(found.Problem + ". " + found.Cure))
	}
	return d
}

// diskSequence tells one loading of a disc from the next, where the kernel does
// (Documentation/ABI/testing/sysfs-block, diskseq); of a file it is the same always.
func diskSequence(node string) string {
	b, err := os.ReadFile(filepath.Join("/sys/block", filepath.Base(node), "diskseq"))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// Open implements bench.Drives.
func (d *benchDrives) Open(ctx context.Context, node string, k imager.Known) (device.Reader, error) {
	o := opening{node: node, stall: usualReading.stall, round: k.Round, passes: k.Passes}
	if device.OpticalNode(node) {
		o.mains = d.o.mains
	}
	if !isSimulated(node) {
		o.kind = k.Kind
	}
	r, err := openNode(ctx, o)
	if err != nil {
		return nil, err
	}
	if s, ok := r.(*simDrive); ok && d.o.pace > 0 {
		return &pacedDrive{simDrive: s, pace: d.o.pace, began: time.Now()}, nil
	}
	return r, nil
}

// pacedDrive is a simulated drive that can be watched: it takes a part of the time that
// a real one would.
type pacedDrive struct {
	*simDrive
	pace  float64 // times as fast
	began time.Time
}

// Answer implements device.Reader.
func (d *pacedDrive) Answer(ctx context.Context) (device.Answer, error) {
	due := d.began.Add(time.Duration(float64(d.Now()) / d.pace))
	if ahead := time.Until(due); ahead > 0 {
		select {
		case <-time.After(ahead):
		case <-ctx.Done():
			return device.Answer{}, ctx.Err()
		}
	}
	return d.simDrive.Answer(ctx)
}
