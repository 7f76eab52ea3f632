package optical

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/devnode"
)

// Opener is the name under which Serve has to stand in the table that child.Main
// is given.
const Opener = "optical"

// Options say what is to be opened.
type Options struct {
	Node string // the drive's node, such as /dev/sr0

	// Kind is what the disc is, where the user knows better than the drive: "cd",
	// "dvd" or "bd"; else "".
	Kind string

	// Stall is how long the drive may take for one request, or to be opened, before
	// the child that waits for it is abandoned.
	Stall time.Duration

	// AssumeSectors is the disc's size for a drive that does not recognise the
	// disc; 0: such a disc is refused.
	AssumeSectors int64
}

func (o Options) check() error {
	switch _, _, ok := device.Block(o.Kind); {
	case !ok:
		return fmt.Errorf("optical drive: kind %q; want cd, dvd or bd", o.Kind)
	case o.AssumeSectors < 0 || o.AssumeSectors > mostSectors:
		return fmt.Errorf("optical drive: %d sectors assumed; want 1 to %d", o.AssumeSectors, int64(mostSectors))
	}
	return nil
}

// mostSectors bounds what a drive may claim of a disc: four layers of a BD have 62
// million sectors [memory].
const mostSectors = 1 << 27

// Open opens a drive in a child process. The error is a *device.OpenError where it
// can't be used.
func Open(ctx context.Context, o Options) (*Drive, error) { return openBy(ctx, Opener, o) }

// openBy is Open by another opener than this package's.
func openBy(ctx context.Context, opener string, o Options) (*Drive, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	// The child works in another folder. A symbolic link stays one: its name is
	// what the user knows the drive by.
	node, err := filepath.Abs(o.Node)
	if err != nil {
		return nil, err
	}
	o.Node = node
	d := &Drive{opener: opener, options: o, closed: make(chan struct{})}
	if err := d.start(ctx); err != nil {
		return nil, err
	}
	return d, nil
}

// spec is what the child is told. With Task it is a helper that does one thing
// instead of reading.
type spec struct {
	Options
	Known *settings `json:",omitempty"` // what is known of the drive's own settings from an earlier opening
	Task  bool
}

// Serve is the child's side: the child.Opener of optical drives.
func Serve(b []byte) (child.Backend, device.Info, error) { return serve(b, dial) }

// dialer opens the way to a drive, and tells what the machine knows of it. The error
// is a *device.OpenError where the drive can't be used.
type dialer func(node string, p purpose) (Transport, Host, error)

// purpose is what a drive is opened for.
type purpose uint8

const (
	toRead purpose = iota // it must not be in use
	toLook
	toAct // a step after a stall: the kernel should not ask the drive anything by itself
)

func serve(b []byte, dial dialer) (child.Backend, device.Info, error) {
	var s spec
	if err := json.Unmarshal(b, &s); err != nil {
		return nil, device.Info{}, fmt.Errorf("optical drive: %w", err)
	}
	if s.Task {
		return task{node: s.Node, dial: dial}, device.Info{Node: s.Node, Depth: 1, MaxSectors: 1}, nil
	}
	t, h, err := dial(s.Node, toRead)
	if err != nil {
		return nil, device.Info{}, err
	}
	d, err := attach(t, h, s)
	if err != nil {
		return nil, device.Info{}, errors.Join(err, t.Close())
	}
	d.info.MaxSectors = several(d.info.MaxSectors)
	_, d.info.Port = devnode.Named(devnode.Sysfs, s.Node).USB()
	return d, d.info, nil
}

// Attach opens the drive at the end of a transport, for a child's opener or for a
// test. The transport is closed with the backend, and by whoever attached it where
// that fails.
func Attach(t Transport, h Host, o Options) (child.Backend, device.Info, error) {
	d, err := attach(t, h, spec{Options: o})
	if err != nil {
		return nil, device.Info{}, err
	}
	return d, d.info, nil
}
