package child

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"syscall"

	"turnstone/device"
	"turnstone/device/sector"
)

var (
	errStalled  = errors.New("child: no answer in time")
	errFinished = errors.New("child: what waits is to be answered now")
)

func (c Config) check() error {
	switch {
	case c.Stall <= 0:
		return fmt.Errorf("child: a stall time of %v; want more than 0", c.Stall)
	case len(c.Spec) > maxPayload:
		return fmt.Errorf("child: a spec of %d bytes; want %d at most", len(c.Spec), maxPayload)
	}
	return nil
}

// open starts a child and has it open the drive. It is called while none is open.
func (r *Reader) open(ctx context.Context) error {
	p, err := launch(r.config.Opener)
	if err != nil {
		return err
	}
	r.mu.Lock()
	r.opening = p
	r.mu.Unlock()
	info, err := r.introduce(ctx, p)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.opening = nil
	if err == nil && r.isClosed() {
		err = device.ErrClosed
	}
	if err != nil {
		p.abandon()
		return err
	}
	r.info, r.p, r.kept, r.slot, r.number = info, p, p, 0, 0
	return nil
}

// introduce asks for the opening of the drive and waits for what it is.
func (r *Reader) introduce(ctx context.Context, p *process) (device.Info, error) {
	failed := func(what string, err error) (device.Info, error) {
		return device.Info{}, &device.OpenError{Node: r.config.Drive, What: what, Err: err}
	}
	r.stall = r.alarm(p, r.config.Stall)
	defer r.stall.stop()
	if err := p.send(request{op: opOpen, payload: r.config.Spec}); err != nil && !errors.Is(err, syscall.EPIPE) {
		return device.Info{}, err
	}
	a, err := r.next(ctx, p)
	switch {
	case r.isClosed():
		return device.Info{}, device.ErrClosed
	case err == errStalled:
		return device.Info{}, &device.OpenError{
			Node: r.config.Drive,
			Err:  &device.ReadError{Drive: r.config.Drive, Class: device.Stalled, At: -1, Err: errStalled},
			What: fmt.Sprintf("the drive gave no answer within %v when it was opened", r.config.Stall),
			Cure: "Take the disc out, switch the drive off and on, and try again.",
		}
	case err != nil && err == ctx.Err():
		return device.Info{}, err
	case err != nil:
		return failed(p.lastWords(err, r.late(hurry)), nil)
	case a.op != opOpen:
		return failed(fmt.Sprintf("child: answer %d to the opening", a.op), nil)
	case a.flags&flagFailed != 0:
		var f openFailure
		if err := json.Unmarshal(a.payload, &f); err != nil {
			return failed("child: "+err.Error(), nil)
		}
		e := &device.OpenError{Node: f.Node, What: f.What, Cure: f.Cure, NoDisc: f.NoDisc}
		if e.Node == "" {
			e.Node = r.config.Drive
		}
		if a.errno != 0 {
			e.Err = syscall.Errno(a.errno)
		}
		return device.Info{}, e
	}
	var info device.Info
	if err := json.Unmarshal(a.payload, &info); err != nil {
		return failed("child: "+err.Error(), nil)
	}
	g, err := divide(info)
	if err != nil {
		return failed(err.Error(), nil)
	}
	return info, p.share(g)
}

// Reopen implements device.Reopener. A drive that is not there any more, or does
// not answer, is a *device.ReadError; what else stands against its use a
// *device.OpenError.
func (r *Reader) Reopen(ctx context.Context) error {
	if r.isClosed() {
		return device.ErrClosed
	}
	if p := r.process(); p != nil {
		r.leave(p.abandon)
	}
	r.pending, r.ready = nil, nil
	err := r.open(ctx)
	e, ok := errors.AsType[*device.OpenError](err)
	if !ok {
		return err
	}
	class := device.Gone
	switch {
	case errors.Is(e, errStalled):
		class = device.Stalled
	case e.NoDisc:
	case errors.Is(e, syscall.ENOENT), errors.Is(e, syscall.ENODEV), errors.Is(e, syscall.ENXIO):
	default:
		return err
	}
	gone := r.failure(sector.Range{}, class, e.What)
	gone.Err = e
	return gone
}
