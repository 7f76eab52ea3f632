package optical

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/sector"
)

// Near is a drive at the end of a transport that never hangs, such as a simulated
// one's: what Drive is, without a child process.
type Near struct {
	t Transport
	h Host
	o Options

	mu      sync.Mutex
	backend child.Backend
	info    device.Info
	own     []byte
	waiting []sector.Range
	data    []byte
	over    bool // the last answer was the last
	closed  bool
}

var (
	_ device.Reader    = (*Near)(nil)
	_ device.RawReader = (*Near)(nil)
	_ device.Setter    = (*Near)(nil)
	_ device.Slower    = (*Near)(nil)
	_ device.Restorer  = (*Near)(nil)
	_ device.Reopener  = (*Near)(nil)
)

// OpenNear opens the drive at the end of a transport. The transport is closed with it.
func OpenNear(t Transport, h Host, o Options) (*Near, error) {
	d := &Near{t: t, h: h, o: o}
	if err := d.attach(); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Near) attach() error {
	b, info, err := Attach(d.t, d.h, d.o)
	if err != nil {
		return err
	}
	d.backend, d.info = b, info
	if d.own == nil {
		d.own, err = b.Call(callOwn, nil)
	}
	return err
}

// Info implements device.Reader.
func (d *Near) Info() device.Info {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.info
}

// Ask implements device.Reader.
func (d *Near) Ask(r sector.Range) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed || d.over {
		return device.ErrClosed
	}
	if err := d.info.Check(r); err != nil {
		return err
	}
	if len(d.waiting) == d.info.Depth {
		return device.ErrFull
	}
	d.waiting = append(d.waiting, r)
	return nil
}

// Answer implements device.Reader.
func (d *Near) Answer(ctx context.Context) (device.Answer, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.closed:
		return device.Answer{}, device.ErrClosed
	case len(d.waiting) == 0:
		return device.Answer{}, device.ErrIdle
	case ctx.Err() != nil:
		return device.Answer{}, ctx.Err()
	}
	r := d.waiting[0]
	d.waiting = d.waiting[1:]
	if int64(len(d.data)) < r.Bytes() {
		d.data = make([]byte, r.Bytes())
	}
	began := d.clock()
	a := child.Read(d.backend, r, d.data[:r.Bytes()])
	a.Took = d.clock() - began
	if a.Err != nil {
		a.Err.Drive = d.info.Name()
		if a.Err.Last() {
			d.over, d.waiting = true, nil
		}
	}
	return a, nil
}

// clock is the transport's time, where it has one of its own.
func (d *Near) clock() time.Duration {
	if c, ok := d.t.(interface{ Now() time.Duration }); ok {
		return c.Now()
	}
	return 0
}

// Now is the transport's time: a simulated drive's.
func (d *Near) Now() time.Duration { return d.clock() }

// call has the drive do something.
func (d *Near) call(op string, arg []byte) ([]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed || d.over {
		return nil, device.ErrClosed
	}
	return d.backend.Call(op, arg)
}

// ReadRaw implements device.RawReader.
func (d *Near) ReadRaw(ctx context.Context, r sector.Range) (device.Raw, error) {
	if err := ctx.Err(); err != nil {
		return device.Raw{}, err
	}
	raw, err := askRaw(r, d.Info().Name(), func(arg []byte) ([]byte, error) { return d.call(callRaw, arg) })
	if e, ok := err.(*device.ReadError); ok && e.Last() {
		d.mu.Lock()
		d.over, d.waiting = true, nil
		d.mu.Unlock()
	}
	return raw, err
}

// Set implements device.Setter.
func (d *Near) Set(_ context.Context, s device.Settings) error {
	if s == (device.Settings{}) {
		return nil
	}
	b, err := json.Marshal(s)
	if err == nil {
		_, err = d.call(callSet, b)
	}
	return err
}

// Slow implements device.Slower.
func (d *Near) Slow(_ context.Context, slow bool) (int, error) {
	return readSlow(slow, func(arg []byte) ([]byte, error) { return d.call(callSlow, arg) })
}

// Original implements device.Restorer.
func (d *Near) Original() []byte { return d.own }

// Restore implements device.Restorer.
func (d *Near) Restore(_ context.Context, original []byte) error {
	_, err := d.call(callRestore, original)
	return err
}

// Reopen implements device.Reopener.
func (d *Near) Reopen(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.closed:
		return device.ErrClosed
	case ctx.Err() != nil:
		return ctx.Err()
	}
	d.waiting, d.over = nil, true
	if err := d.attach(); err != nil {
		return fmt.Errorf("opening %s again: %w", d.info.Name(), asReadError(err, d.info.Name()))
	}
	d.over = false
	return nil
}

// Close implements device.Reader.
func (d *Near) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil
	}
	d.closed, d.waiting = true, nil
	return d.backend.Close()
}
