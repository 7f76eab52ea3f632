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
	number  uint64          // of the last read that was sent to this child
	stall   *alarm          // of the oldest pending
	finish  *alarm          // of what waited when Finish was called; nil: it was not, or is done

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
	number  uint64 // of a read
	sectors sector.Range
	dropped bool // a call whose caller has left, or a read that was answered already
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
	for len(r.pending) > 0 && r.pending[0].dropped && p.readable() {
		if _, a, err := r.await(context.Background()); err != nil || a.last != nil {
			return device.ErrClosed
		}
	}
	reads := 0 // with those that were answered before the child has
	for _, w := range r.pending {
		if w.op == opRead {
			reads++
		}
	}
	if reads+len(r.ready) >= r.info.Depth {
		return device.ErrFull
	}
	// Slots are used in turn. Of the Depth + 1 at most Depth - 1 belong to
	// requests that wait and one to the answer taken last: this one is free.
	q := request{op: opRead, slot: r.slot, sectors: s}
	r.slot = uint8((int(r.slot) + 1) % p.slots)
	r.queue(p, q)
	return nil
}

// oldest is the oldest read that waits for its answer, and its place among the pending;
// -1 where none does.
func (r *Reader) oldest() (pending, int) {
	i := slices.IndexFunc(r.pending, func(w pending) bool { return w.op == opRead && !w.dropped })
	if i < 0 {
		return pending{}, i
	}
	return r.pending[i], i
}

// queue sends a request. Where the child has ended, it is Answer that finds out.
func (r *Reader) queue(p *process, q request) {
	if q.op == opRead {
		r.number++
	}
	_ = p.send(q)
	r.pending = append(r.pending, pending{op: q.op, slot: q.slot, number: r.number, sectors: q.sectors})
	if len(r.pending) == 1 {
		r.stall = r.alarm(p, r.config.Stall)
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
		oldest, at := r.oldest()
		if at < 0 {
			return device.Answer{}, device.ErrIdle
		}
		head, a, err := r.await(ctx)
		switch {
		case err == errFinished:
		case err != nil:
			return device.Answer{}, err
		case a.last != nil && at > 0: // what was before has stalled: nothing of this was asked for
			a.last.Asked, a.course, a.data = oldest.sectors, course{}, nil
			return r.judge(oldest, a), nil
		case at == 0 && head.op == opRead:
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
	course course // of a read
	data   []byte
	last   *device.ReadError // the child was given up
}

// await takes the next answer off the pipe. Where none came in time, or the child
// ended, the child is given up and the reply says so. The error is of the waiting.
func (r *Reader) await(ctx context.Context) (pending, reply, error) {
	head := r.pending[0]
	p := r.process()
	if p == nil {
		return head, reply{}, device.ErrClosed
	}
	a, err := r.next(ctx, p)
	for err == errStalled && r.goesOn(p, head) {
		a, err = r.next(ctx, p)
	}
	switch {
	case err == nil:
	case err == device.ErrClosed, err == ctx.Err():
		return head, reply{}, err
	case err == errFinished:
		r.takeStock(p)
		return head, reply{}, err
	case err == errStalled:
		r.leave(p.abandon)
		return head, r.lost(p, head, device.Stalled, fmt.Sprintf("no answer within %v", r.config.Stall)), nil
	default:
		text := p.lastWords(err, r.late(hurry))
		r.leave(p.abandon)
		return head, r.lost(p, head, device.Gone, text), nil
	}
	r.pending = r.pending[1:]
	r.stall.stop()
	if len(r.pending) > 0 {
		r.stall = r.alarm(p, r.config.Stall)
	}
	if _, at := r.oldest(); at < 0 && r.finish != nil {
		r.finish.stop()
		r.finish = nil
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
	return head, reply{answer: a, course: p.course(head), data: data}, nil
}

// course is how far the child has come with a request; of a call nothing.
func (p *process) course(w pending) course {
	if w.op != opRead || len(p.head) == 0 {
		return course{}
	}
	return p.trail(p.head, w.slot).course(w.number, w.sectors)
}

// goesOn tells whether the drive has given answers to parts of a request, and is at
// another for less than the stall time. The alarm is set anew for that then.
func (r *Reader) goesOn(p *process, head pending) bool {
	c := p.course(head)
	left := r.config.Stall - time.Duration(newClock().now()-c.began)
	if c.parts == 0 || left <= 0 {
		return false
	}
	r.stall = r.alarm(p, left)
	return true
}

// lost is the reply to a request whose child was given up: what came of it, and which
// part did not.
func (r *Reader) lost(p *process, head pending, class device.Class, text string) reply {
	c := p.course(head)
	rep := reply{answer: answer{took: r.config.Stall}, course: c, last: r.failure(head.sectors, class, text)}
	if class != device.Stalled {
		rep.took = 0
	}
	if !c.part.Empty() {
		rep.last.Asked = c.part
	}
	rep.course.last = rep.took
	rep.data, _ = p.slot(p.mapping, head.slot, c.good*sector.Size) // it fits: no more was asked for
	return rep
}

// Finish implements device.Finisher. The child sees between two parts that it is to do
// no more.
func (r *Reader) Finish(within time.Duration) {
	p := r.process()
	if _, at := r.oldest(); p == nil || at < 0 || r.finish != nil {
		return
	}
	words(p.head)[0].Store(r.number)
	r.finish = r.alarm(p, within)
}

// takeStock answers all reads that wait by what came of them. What the child says of
// them later is passed over.
func (r *Reader) takeStock(p *process) {
	r.finish = nil
	now := newClock().now()
	for i, w := range r.pending {
		if w.op != opRead || w.dropped {
			continue
		}
		c := p.course(w)
		data, _ := p.slot(p.mapping, w.slot, c.good*sector.Size)
		r.ready = append(r.ready, device.Answer{Asked: w.sectors, Data: data, Weak: c.weak, Took: c.last, Last: c.last,
			Silent: c.silent(w.sectors.First, now)})
		r.pending[i].dropped = true
	}
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
	for _, a := range []*alarm{r.stall, r.finish} {
		if a != nil {
			a.stop()
		}
	}
	r.pending, r.finish = nil, nil
}

func (r *Reader) failure(asked sector.Range, class device.Class, text string) *device.ReadError {
	return &device.ReadError{Drive: r.info.Name(), Asked: asked, Class: class, At: -1, Text: text}
}

// judge makes an Answer of a reply to a read.
func (r *Reader) judge(head pending, a reply) device.Answer {
	out := device.Answer{Asked: head.sectors, Data: a.data, Took: a.took, Last: a.course.last, Weak: a.course.weak, Err: a.last}
	switch {
	case a.last != nil:
	case a.flags&flagFailed != 0:
		out.Err = r.failure(head.sectors, a.class, string(a.payload))
		if !a.course.part.Empty() {
			out.Err.Asked = a.course.part
		}
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
