package optical

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/devnode"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// The steps after a stall, the cheapest first. What each does to the disc: nothing;
// nothing; the spindle may stop and start; the rest make the drive spin it up again.
const (
	stepReady  device.Step = "TEST UNIT READY"
	stepStart  device.Step = "START STOP UNIT"
	stepUnit   device.Step = "logical unit reset" // SG_SCSI_RESET_DEVICE
	stepTarget device.Step = "target reset"       // SG_SCSI_RESET_TARGET
	stepPort   device.Step = "USB port reset"     // USBDEVFS_RESET
)

// How long a step may take, until the drive answers again.
const (
	waitingTime = 60 * time.Second
	stepTime    = 45 * time.Second
	// comingBack is how long a drive that was reset, or switched on, may be nowhere.
	comingBack = 20 * time.Second
)

// Steps implements device.Reviver. Resets through the host need root's rights, the one
// of a USB port leave to write to the USB device's node.
func (d *Drive) Steps() []device.Step {
	steps := []device.Step{device.Waiting, stepReady, stepStart}
	if !d.found() {
		return steps
	}
	dir := devnode.Named(devnode.Sysfs, d.options.Node)
	if dir == "" {
		return steps
	}
	usb, _ := dir.USB()
	if mayReset() {
		steps = append(steps, stepUnit)
		if usb == "" { // the driver of USB drives has none
			steps = append(steps, stepTarget)
		}
	}
	if usb != "" && unix.Access(usbNode(usb), unix.W_OK) == nil {
		steps = append(steps, stepPort)
	}
	return steps
}

// mayReset tells whether the kernel lets this process reset drives: CAP_SYS_ADMIN and
// CAP_SYS_RAWIO (scsi_ioctl.c, scsi_ioctl_reset).
func mayReset() bool {
	head := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var data [2]unix.CapUserData
	if unix.Capget(&head, &data[0]) != nil {
		return false
	}
	const want = 1<<unix.CAP_SYS_ADMIN | 1<<unix.CAP_SYS_RAWIO
	return data[0].Effective&want == want
}

// usbNode is the node of a USB device.
func usbNode(usb devnode.Dir) string {
	return fmt.Sprintf("/dev/bus/usb/%03d/%03d", usb.Number("busnum"), usb.Number("devnum"))
}

// Revive implements device.Reviver. The step is done by a child of its own, which is
// given up where it hangs as well.
func (d *Drive) Revive(ctx context.Context, s device.Step) error {
	if err := d.follow(ctx); err != nil {
		return err
	}
	if !slices.Contains(d.Steps(), s) {
		return fmt.Errorf("%w: %s", device.ErrUnsupported, s)
	}
	limit := stepTime
	if s == device.Waiting {
		limit = waitingTime
	}
	err := d.do(ctx, callStep, []byte(s), limit, nil)
	if err == nil || !gone(err) {
		return asReadError(err, d.Info().Name())
	}
	// A drive whose port was reset comes back in a moment, maybe by another name.
	if err := d.follow(ctx); err != nil {
		return err
	}
	return asReadError(d.do(ctx, callStep, []byte(device.Waiting), limit, nil), d.Info().Name())
}

// follow has the drive addressed by the node that it has now, and waits for one that is
// nowhere: another drive that was switched off and on meanwhile may have taken its node, and
// is to be left alone, as far as the two can be told from each other.
func (d *Drive) follow(ctx context.Context) error {
	for range comingBack / readyPause {
		if d.found() {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-d.closed:
			return device.ErrClosed
		case <-time.After(readyPause):
		}
	}
	return d.nowhere()
}

// found tells whether the drive has a node, and has it addressed by that. One of which the
// kernel knows no place keeps the node that it had.
func (d *Drive) found() bool {
	if d.place.root == "" {
		return true
	}
	node := d.place.find(d.options.Node)
	if node != "" {
		d.options.Node = node
	}
	return node != ""
}

// Node is the node by which the drive is known now: where it is found, else the last one; ""
// where that is another drive's by now.
func (d *Drive) Node() string {
	if d.found() {
		return d.options.Node
	}
	if dir := devnode.Named(d.place.root, d.options.Node); dir != "" && !d.place.names(dir) {
		return ""
	}
	return d.options.Node
}

// nowhere is the error for a drive that was not found.
func (d *Drive) nowhere() error {
	return asReadError(&device.OpenError{Node: d.options.Node, What: "the drive is gone", Cure: devnode.PlugIn, Err: unix.ENODEV}, d.Info().Name())
}

// do has a helper do something to the drive, and puts its answer into result.
func (d *Drive) do(ctx context.Context, op string, arg []byte, limit time.Duration, result any) error {
	return help(ctx, d.opener, d.options.Node, op, arg, limit, result)
}

func help(ctx context.Context, opener, node, op string, arg []byte, limit time.Duration, result any) error {
	s, err := json.Marshal(spec{Options: Options{Node: node}, Task: true})
	if err != nil {
		return err
	}
	r, err := child.Start(ctx, child.Config{Opener: opener, Spec: s, Drive: node, Stall: limit})
	if err != nil {
		return err
	}
	defer r.Close()
	b, err := r.Call(ctx, op, arg)
	if err != nil || result == nil {
		return err
	}
	return json.Unmarshal(b, result)
}

// What a helper can be called for.
const (
	callStep     = "step"
	callDescribe = "describe"
)

// task is a helper's backend: it opens the drive for one thing.
type task struct {
	node string
	dial dialer
}

// Part implements child.Backend.
func (task) Part(r sector.Range) sector.Range { return r }

// Read implements child.Backend.
func (task) Read(sector.Range, []byte) child.Outcome {
	return child.Outcome{Err: &device.ReadError{Class: device.Refused, At: -1, Text: "a helper reads nothing"}}
}

// Close implements child.Backend.
func (task) Close() error { return nil }

// Call implements child.Backend.
func (t task) Call(op string, arg []byte) ([]byte, error) {
	switch op {
	case callStep:
		return nil, t.step(device.Step(arg))
	case callDescribe:
		var patience time.Duration
		if err := json.Unmarshal(arg, &patience); err != nil {
			return nil, err
		}
		return t.describe(patience)
	}
	return nil, device.ErrUnsupported
}

// step takes a step, and waits until the drive answers.
func (t task) step(s device.Step) error {
	dir := devnode.Named(devnode.Sysfs, t.node)
	switch s {
	case stepUnit, stepTarget:
		what := resetUnit
		if s == stepTarget {
			what = resetTarget
		}
		if err := onNode(dir.Generic(t.node), func(fd int) error { return scsiReset(fd, what) }); err != nil {
			return err
		}
	case stepPort:
		usb, _ := dir.USB()
		if usb == "" {
			return fmt.Errorf("%w: %s", device.ErrUnsupported, s)
		}
		fd, err := devnode.Open(usbNode(usb), unix.O_WRONLY|unix.O_CLOEXEC)
		if err != nil {
			return fmt.Errorf("%s: %w", usbNode(usb), err)
		}
		err = usbReset(fd)
		unix.Close(fd)
		if err != nil {
			return fmt.Errorf("%s: %w", usbNode(usb), err)
		}
	}
	tr, h, err := t.dial(t.node, toAct)
	if err != nil {
		return err
	}
	defer tr.Close()
	u := unit{t: tr, h: h}
	switch s {
	case device.Waiting:
		// Whether it answers at all: this question moves nothing in the drive. It may
		// not know the command, and stands in the queue behind the one that hangs.
		_, f := u.ask(scsi.GetEventStatus{Polled: true, Classes: scsi.MediaClass, Alloc: scsi.MediaEventLen}.Command())
		if f != nil && f.lost != 0 {
			return f
		}
		return nil
	case stepStart:
		for _, start := range []bool{false, true} {
			if _, f := u.send(scsi.StartStopUnit{Start: start}.Command(), nil); f != nil && f.lost != 0 {
				return f
			}
		}
	}
	_, f := u.ready(stepTime)
	if f == nil || f.is(scsi.NoMedium) || f.is(scsi.Unrecognised) {
		return nil // it answers: the opening will say what it thinks of the disc
	}
	return f
}

// onNode opens a drive's node for a moment.
func onNode(node string, do func(fd int) error) error {
	fd, err := devnode.Open(node, unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC)
	if err != nil {
		return fmt.Errorf("%s: %w", node, err)
	}
	return errors.Join(do(fd), unix.Close(fd))
}
