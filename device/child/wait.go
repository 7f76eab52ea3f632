package child

import (
	"context"
	"errors"
	"io"
	"os"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
)

// Answers are read off the pipe by the goroutine that waits for them, and nobody
// else: each goroutine in between costs a switch, for each request. A wait ends
// early by an interrupt, which says only that one of its reasons to end has come
// true; the reasons are looked at then.

// alarm is two of them: the drive has taken too long, and Finish wants an end.
type alarm struct {
	rung atomic.Bool
	stop func() bool
}

// alarm rings after d and interrupts what waits for p then.
func (r *Reader) alarm(p *process, d time.Duration) *alarm {
	a := &alarm{}
	a.stop = r.config.AfterFunc(d, func() {
		a.rung.Store(true)
		p.interrupt()
	})
	return a
}

// late is closed after d.
func (r *Reader) late(d time.Duration) <-chan struct{} {
	late := make(chan struct{})
	r.config.AfterFunc(d, func() { close(late) })
	return late
}

// next waits for the next answer. An answer that is there beats the reasons to
// wait no longer: device.ErrClosed, errStalled, errFinished, and ctx's error. Other
// errors are the pipe's, io.EOF where the child ended.
func (r *Reader) next(ctx context.Context, p *process) (answer, error) {
	if ctx.Done() != nil {
		defer context.AfterFunc(ctx, p.interrupt)()
	}
	for {
		if r.stall.rung.Load() && !p.readable() {
			return answer{}, errStalled
		}
		if r.finish != nil && r.finish.rung.Load() && !p.readable() {
			return answer{}, errFinished
		}
		_, err := p.in.Peek(1)
		switch {
		case err == nil:
			p.patient = true
			a, err := readAnswer(p.in)
			p.patient = false
			return a, err
		case r.isClosed():
			return answer{}, device.ErrClosed
		case !errors.Is(err, os.ErrDeadlineExceeded):
			return answer{}, err
		}
		p.resume()
		if err := ctx.Err(); err != nil && !p.readable() {
			return answer{}, err
		}
	}
}

// interrupt ends the reads of the replies, until resume. Any goroutine may call it.
func (p *process) interrupt() { p.replies.SetReadDeadline(time.Unix(1, 0)) }

func (p *process) resume() { p.replies.SetReadDeadline(time.Time{}) }

// read reads the replies. An answer that has begun comes whole, so while one is
// read it goes on through interrupts; whoever reads the next one looks at their
// reasons first.
func (p *process) read(b []byte) (int, error) {
	for {
		n, err := p.replies.Read(b)
		if n > 0 || !p.patient || !errors.Is(err, os.ErrDeadlineExceeded) {
			return n, err
		}
		p.resume()
	}
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(b []byte) (int, error) { return f(b) }

var _ io.Reader = readerFunc(nil)

// readable tells whether an answer, or the end of the pipe, is there to be read.
func (p *process) readable() bool {
	if p.in.Buffered() > 0 {
		return true
	}
	p.resume() // else the pipe could not be looked at
	conn, err := p.replies.SyscallConn()
	if err != nil {
		return false
	}
	ready := false
	conn.Read(func(fd uintptr) bool {
		n, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 0)
		ready = n > 0 && err == nil
		return true
	})
	return ready
}
