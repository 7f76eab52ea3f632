package optical

import (
	"context"
	"encoding/json"
	"errors"
	"sync"
	"syscall"
	"time"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/sector"
)

// Drive is an opened optical drive, as the program holds it: a reader whose child
// speaks to the drive, and what the drive can be told beside.
type Drive struct {
	opener  string
	options Options

	closed  chan struct{} // closed by Close
	closing sync.Once

	mu     sync.Mutex // Close is called by any goroutine
	reader *child.Reader

	// One goroutine's own.
	own   *settings // the drive's own, as found when it was first opened
	place place     // to find the drive by when it has another node
}

var (
	_ device.Reader         = (*Drive)(nil)
	_ device.Reviver        = (*Drive)(nil)
	_ device.Finisher       = (*Drive)(nil)
	_ device.Setter         = (*Drive)(nil)
	_ device.Slower         = (*Drive)(nil)
	_ device.Restorer       = (*Drive)(nil)
	_ device.Ejector        = (*Drive)(nil)
	_ device.SpindleStopper = (*Drive)(nil)
)

// What a child can be called for.
const (
	callOwn     = "own settings"
	callSet     = "set"
	callRestore = "restore"
	callStop    = "stop spindle"
	callEject   = "eject"
)

// start starts a child that opens the drive. It is called while there is none, or
// one that was closed.
func (d *Drive) start(ctx context.Context) error {
	ctx, cancel := d.untilClosed(ctx)
	defer cancel()
	s, err := json.Marshal(spec{Options: d.options, Known: d.own})
	if err != nil {
		return err
	}
	r, err := child.Start(ctx, child.Config{Opener: d.opener, Spec: s, Drive: d.options.Node, Stall: d.options.Stall})
	if err != nil {
		return err
	}
	if err := d.learn(ctx, r); err != nil {
		r.Close()
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.isClosed() {
		r.Close()
		return device.ErrClosed
	}
	d.reader = r
	return nil
}

// learn takes from a new child what has to be known when it has gone.
func (d *Drive) learn(ctx context.Context, r *child.Reader) error {
	b, err := r.Call(ctx, callOwn, nil)
	if err != nil {
		return err
	}
	if d.own == nil {
		if err := json.Unmarshal(b, &d.own); err != nil {
			return err
		}
	}
	if p := placeOf(r.Info()); p.root != "" {
		d.place = p
	}
	return nil
}

// untilClosed is a context that ends with ctx or with the drive's use.
func (d *Drive) untilClosed(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		select {
		case <-d.closed:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

func (d *Drive) isClosed() bool {
	select {
	case <-d.closed:
		return true
	default:
		return false
	}
}

func (d *Drive) current() *child.Reader {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.reader
}

// Info implements device.Reader.
func (d *Drive) Info() device.Info { return d.current().Info() }

// Ask implements device.Reader.
func (d *Drive) Ask(s sector.Range) error { return d.current().Ask(s) }

// Answer implements device.Reader.
func (d *Drive) Answer(ctx context.Context) (device.Answer, error) { return d.current().Answer(ctx) }

// Finish implements device.Finisher.
func (d *Drive) Finish(within time.Duration) { d.current().Finish(within) }

// Close implements device.Reader.
func (d *Drive) Close() error {
	d.closing.Do(func() { close(d.closed) })
	return d.current().Close()
}

// Reopen implements device.Reopener. The drive is looked for by what it is, not by
// its node alone: one that was plugged in again has another, and its own may be that of
// another drive by now.
func (d *Drive) Reopen(ctx context.Context) error {
	if d.isClosed() {
		return device.ErrClosed
	}
	info := d.Info()
	d.current().Close()
	if err := d.follow(ctx); err != nil {
		return err
	}
	err := d.start(ctx)
	if d.isClosed() && err != nil {
		return device.ErrClosed
	}
	return asReadError(err, info.Name())
}

// asReadError makes a *device.ReadError of an OpenError that says what became of
// the drive: it does not answer, or it has gone, with its disc or without.
func asReadError(err error, drive string) error {
	e, ok := errors.AsType[*device.OpenError](err)
	if !ok {
		return err
	}
	class := device.Gone
	if read, ok := errors.AsType[*device.ReadError](e); ok {
		class = read.Class
	} else if !e.NoDisc && !gone(e) {
		return err
	}
	return &device.ReadError{Drive: drive, Class: class, At: -1, Text: e.What, Err: e}
}

// gone tells whether an error says that the drive is not there.
func gone(err error) bool {
	return errors.Is(err, syscall.ENOENT) || errors.Is(err, syscall.ENODEV) || errors.Is(err, syscall.ENXIO)
}

// Set implements device.Setter.
func (d *Drive) Set(ctx context.Context, s device.Settings) error {
	if s == (device.Settings{}) {
		return nil
	}
	b, err := json.Marshal(s)
	if err != nil {
		return err
	}
	return d.call(ctx, callSet, b)
}

// Slow implements device.Slower: SET CD SPEED, or SET STREAMING where the drive does not
// know the first.
func (d *Drive) Slow(ctx context.Context, slow bool) (int, error) {
	return readSlow(slow, func(arg []byte) ([]byte, error) { return d.result(ctx, callSlow, arg) })
}

// call has the child do something.
func (d *Drive) call(ctx context.Context, op string, arg []byte) error {
	_, err := d.result(ctx, op, arg)
	return err
}

// result is what the child has to say when it has done something. A drive that has gone,
// or does not answer, is a *device.ReadError.
func (d *Drive) result(ctx context.Context, op string, arg []byte) ([]byte, error) {
	b, err := d.current().Call(ctx, op, arg)
	if err != nil && gone(err) {
		return nil, &device.ReadError{Drive: d.Info().Name(), Class: device.Gone, At: -1, Text: err.Error(), Err: err}
	}
	return b, err
}

// Original implements device.Restorer: the drive's mode page 01h as it was found,
// and that its speed was its own.
func (d *Drive) Original() []byte {
	if d.own == nil || !d.own.Writable {
		return nil
	}
	b, err := json.Marshal(d.own)
	if err != nil {
		return nil
	}
	return b
}

// Restore implements device.Restorer.
func (d *Drive) Restore(ctx context.Context, original []byte) error {
	return d.call(ctx, callRestore, original)
}

// StopSpindle implements device.SpindleStopper: START STOP UNIT.
func (d *Drive) StopSpindle(ctx context.Context) error {
	return d.call(ctx, callStop, nil)
}

// Eject implements device.Ejector: START STOP UNIT with LoEj, after the tray was
// unlocked where it was locked.
func (d *Drive) Eject(ctx context.Context) error {
	return d.call(ctx, callEject, nil)
}
