package child

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"syscall"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// Reader is a drive that is read by a child. It implements device.Reader and
// device.Reopener.
type Reader struct {
	config Config

	// One goroutine's own.
	pending []pending       // sent, without an answer yet, oldest first
	ready   []device.Answer // taken off the pipe by a Call that waited for its own
	slot    uint8           // of the next read
	stall   *alarm          // of the oldest pending

	closed  chan struct{} // closed by Close
	closing sync.Once

	mu      sync.Mutex // Close is called by any goroutine
	info    device.Info
	p       *process // nil while not open for requests
	opening *process // the child that has not answered to the opening yet
	// The process whose mapping holds the last answers' data is kept with the
	// Reader even when it has been given up.
	kept *process
}

type pending struct {
	op      uint8
	slot    uint8
	sectors sector.Range
	dropped bool // a call whose caller has left
}

// hurry is how long a child that is well may take to end.
const hurry = 700 * time.Millisecond

// process is the child that takes requests; nil where there is none.
func (r *Reader) process() *process {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.p
}

// Info implements device.Reader.
func (r *Reader) Info() device.Info {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.info
}

// Ask implements device.Reader.
func (r *Reader) Ask(s sector.Range) error {
	p := r.process()
	if p == nil {
		return device.ErrClosed
	}
	if err := r.info.Check(s); err != nil {
		return err
	}
	if r.reads()+len(r.ready) >= r.info.Depth {
		return device.ErrFull
	}
	// Slots are used in turn. Of the Depth + 1 at most Depth - 1 belong to
	// requests that wait and one to the answer taken last: this one is free.
	q := request{op: opRead, slot: r.slot, sectors: s}
	r.slot = uint8((int(r.slot) + 1) % p.slots)
	r.queue(p, q)
	return nil
}

// reads is how many of the pending are reads.
func (r *Reader) reads() int {
	n := 0
	for _, w := range r.pending {
		if w.op == opRead {
			n++
		}
	}
	return n
}

// queue sends a request. Where the child has ended, it is Answer that finds out.
func (r *Reader) queue(p *process, q request) {
	_ = p.send(q)
	r.pending = append(r.pending, pending{op: q.op, slot: q.slot, sectors: q.sectors})
	if len(r.pending) == 1 {
		r.stall = r.alarm(p)
	}
}

// Answer implements device.Reader.
func (r *Reader) Answer(ctx context.Context) (device.Answer, error) {
	for {
		if r.isClosed() {
			return device.Answer{}, device.ErrClosed
		}
		if len(r.ready) > 0 {
			a := r.ready[0]
			r.ready = r.ready[1:]
			return a, nil
		}
		if r.reads() == 0 {
			return device.Answer{}, device.ErrIdle
		}
		oldest := r.pending[slices.IndexFunc(r.pending, func(w pending) bool { return w.op == opRead })]
		head, a, err := r.await(ctx)
		if err != nil {
			return device.Answer{}, err
		}
		if a.last != nil {
			a.last.Asked = oldest.sectors // where an earlier call, whose caller left, has stalled
		}
		if head.op == opRead || a.last != nil {
			return r.judge(oldest, a), nil
		}
	}
}

func (r *Reader) isClosed() bool {
	select {
	case <-r.closed:
		return true
	default:
		return false
	}
}

// reply is an answer as it came, or why none did.
type reply struct {
	answer
	data []byte
	last *device.ReadError // the child was given up
}

// await takes the next answer off the pipe. Where none came in time, or the child
// ended, the child is given up and the reply says so. The error is of the waiting.
func (r *Reader) await(ctx context.Context) (pending, reply, error) {
	head := r.pending[0]
	p := r.process()
	if p == nil {
		return head, reply{}, device.ErrClosed
	}
	a, err := r.next(ctx, p, r.stall)
	switch {
	case err == nil:
	case err == device.ErrClosed, err == ctx.Err():
		return head, reply{}, err
	case err == errStalled:
		r.leave(p.abandon)
		return head, reply{answer: answer{took: r.config.Stall}, last: r.failure(head.sectors, device.Stalled,
			fmt.Sprintf("no answer within %v", r.config.Stall))}, nil
	default:
		text := p.lastWords(err, r.late(hurry))
		r.leave(p.abandon)
		return head, reply{last: r.failure(head.sectors, device.Gone, text)}, nil
	}
	r.pending = r.pending[1:]
	r.stall.stop()
	if len(r.pending) > 0 {
		r.stall = r.alarm(p)
	}
	data, err := p.slot(p.mapping, a.slot, a.good*sector.Size)
	if err == nil && (a.op != head.op || a.slot != head.slot || a.op == opRead && a.good > head.sectors.Count()) {
		err = fmt.Errorf("child: answer %d of %d sectors in slot %d to request %d for %v in slot %d",
			a.op, a.good, a.slot, head.op, head.sectors, head.slot)
	}
	if err != nil {
		r.leave(p.abandon)
		return head, reply{last: r.failure(head.sectors, device.Gone, err.Error())}, nil
	}
	return head, reply{answer: a, data: data}, nil
}

// leave gives the child up, if another goroutine has not, and drops what waits.
func (r *Reader) leave(end func()) {
	r.mu.Lock()
	p := r.p
	r.p = nil
	r.mu.Unlock()
	if p != nil {
		end()
	}
	if r.stall != nil {
		r.stall.stop()
	}
	r.pending = nil
}

func (r *Reader) failure(asked sector.Range, class device.Class, text string) *device.ReadError {
	return &device.ReadError{Drive: r.info.Name(), Asked: asked, Class: class, At: -1, Text: text}
}

// judge makes an Answer of a reply to a read.
func (r *Reader) judge(head pending, a reply) device.Answer {
	out := device.Answer{Asked: head.sectors, Data: a.data, Took: a.took, Weak: a.flags&flagWeak != 0, Err: a.last}
	switch {
	case a.last != nil:
	case a.flags&flagFailed != 0:
		out.Err = r.failure(head.sectors, a.class, string(a.payload))
		out.Err.Sense = a.sense
		if a.class == 0 {
			out.Err.Class = device.Refused // a backend's mistake: nothing is known of the disc
		}
		if head.sectors.Contains(a.at) {
			out.Err.At = a.at
		}
		if a.errno != 0 {
			out.Err.Err = syscall.Errno(a.errno)
		}
		if out.Err.Last() {
			if p := r.process(); p != nil {
				r.leave(func() { go p.part(r.late(hurry)) })
			}
		}
	case a.good < head.sectors.Count():
		out.Err = r.failure(head.sectors, device.Refused,
			fmt.Sprintf("%d sectors came and nothing says why the rest did not", a.good))
	}
	return out
}

// Close implements device.Reader. A child that is well closes the drive; one that
// hangs is killed and left to itself.
func (r *Reader) Close() error {
	r.closing.Do(func() {
		close(r.closed)
		r.mu.Lock()
		p, opening := r.p, r.opening
		r.p = nil
		r.mu.Unlock()
		if opening != nil {
			opening.interrupt() // whoever waits for it gives it up
		}
		if p != nil {
			p.interrupt()
			p.part(r.late(hurry))
		}
	})
	return nil
}
