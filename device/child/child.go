// Package child reads a drive in a process of its own, because a read that a
// drive does not answer sleeps uninterruptibly in the kernel: it can be neither
// interrupted nor waited for, and the process that issued it does not end before
// it does. So nothing but the child ever opens, asks or closes the drive, and a
// child that hangs is left to itself.
//
//	parent: Reader                          child: the same binary
//	──────────────                          ──────────────────────
//	Ask ─────── pipe of requests ─────────▶ Opener, Backend.Read
//	Answer ◀─── pipe of answers ──────────┐        │ reads into
//	   │                                  └── good, class, time …
//	   └─ Answer.Data lies in ─▶ one mapping: slot │ slot │ slot
//
// The mapping has a slot more than requests may wait: while the parent uses the
// data of one answer, the child fills the slots of the next. Data never goes
// through a pipe.
//
// A request goes to the drive in parts, one command each, so that one answer, and
// one change from the child to the parent and back, serves several. How far the
// child has come it notes in the mapping (trail), where the parent finds it when no
// answer comes: what the parts before brought is not lost, and only the part at
// which the drive hangs was asked for in vain. Between two parts the child looks
// whether the parent wants no more (Reader.Finish).
//
//	request  ├──────────────────────────────────────────────┤
//	parts    ├──came──┼──came──┼──under way─▶                  not asked
//
// A child that is at one part for longer than Config.Stall is killed, which works at
// once or when its read ends, and abandoned: its pipes, its mapping and its process id
// are never used again, since the kernel may still write into that mapping.
// Another child can open the same drive meanwhile.
//
// The child holds its three descriptors and the drive's, and nothing that the
// parent has open; its standard streams are /dev/null and a buffer for the words
// of a crash. It has a process group of its own, so that Ctrl-C at the terminal
// does not reach it. It ends when the pipe of requests does, thus with the
// parent, however that ends. (The kernel's parent-death signal would not do: it
// is sent when the thread ends that forked, not the process.)
package child

import (
	"context"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// An Opener opens a drive. It runs in the child; spec is what Config.Spec was in
// the parent. It returns what the drive is, or an error: a *device.OpenError
// keeps its words on the way to the parent, any other becomes one.
type Opener func(spec []byte) (Backend, device.Info, error)

// Backend is an opened drive in the child. Its methods are called one at a time.
type Backend interface {
	// Part is the beginning of r, or all of it, that Read is to be called for: what
	// the drive is asked for by one command.
	Part(r sector.Range) sector.Range

	// Read reads the sectors of r, a part, into buf, which is r.Bytes() long. Where
	// not all came, the error's Drive and Asked are filled in by the caller; without
	// an error the rest is asked for by other parts.
	Read(r sector.Range, buf []byte) Outcome

	// Call does anything else that the drive can do: see Reader.Call. An op that
	// the drive does not know is answered with device.ErrUnsupported.
	Call(op string, arg []byte) ([]byte, error)

	// Close is called once, before the child ends, where it ends in peace.
	Close() error
}

// Outcome is what became of one read.
type Outcome struct {
	Good int64             // leading sectors that are in the buffer
	Weak bool              // they came, some of them with more work than usual
	Err  *device.ReadError // why the rest did not come
}

// Config says what child is wanted.
type Config struct {
	Opener string // its name in the table that Main was given
	Spec   []byte // what the opener is told, at most 1 MiB
	Drive  string // what the drive is called while nothing is known of it: its node

	// Stall is how long the drive may take for one part of a request, or to be
	// opened, before the child is abandoned.
	Stall time.Duration

	// AfterFunc is the clock that the reader waits by: it calls f after d, on
	// another goroutine, unless stop is called before. The real one where it is nil.
	AfterFunc func(d time.Duration, f func()) (stop func() bool)
}

var (
	_ device.Reader   = (*Reader)(nil)
	_ device.Reopener = (*Reader)(nil)
	_ device.Finisher = (*Reader)(nil)
)

// Start opens a drive in a child. The error is a *device.OpenError where the
// drive can't be used, the context's where that ended first. Main must have been
// called in this program.
func Start(ctx context.Context, c Config) (*Reader, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if c.AfterFunc == nil {
		c.AfterFunc = func(d time.Duration, f func()) func() bool { return time.AfterFunc(d, f).Stop }
	}
	r := &Reader{config: c, closed: make(chan struct{})}
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	return r, nil
}
