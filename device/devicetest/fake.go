// Package devicetest has what tests need to stand in for a drive and to judge
// one: the conformance suite that every device.Reader passes (Run), and Fake, a
// drive in memory that fails by script and counts what is asked of it.
//
// A test of the engine looks like this:
//
//	drive := devicetest.NewFake(4096, devicetest.Options{})
//	drive.Fail(sector.Span(1000, 3), device.Medium, devicetest.Always)
//	drive.Stall(sector.Span(2000, 1), 1)
//	… let the engine read it …
//	if n := drive.CountOf(1000); n != 1 { … }
package devicetest

import (
	"context"
	"sync"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// Options say what kind of drive a Fake is.
type Options struct {
	// Info is what the drive tells of itself. Fields left zero are filled: an
	// unknown disc in blocks of 16, 128 sectors a request, 2 requests waiting.
	// Sectors is always what NewFake is told.
	Info device.Info

	// Content is what the disc holds; Pattern where it is nil.
	Content Content

	// NamesAddress makes the drive deliver the sectors before a failing one and
	// name that one, as SG_IO does. Otherwise a request fails as a whole, as a
	// block device's does.
	NamesAddress bool

	// OnAsk is called for every request that is queued, before the script is
	// looked at for it. It may change the script.
	OnAsk func(r sector.Range)

	// The drive's times, which pass on its own clock only (Now): for each sector
	// that comes, for each request that fails, and for one that stalls. 1 ms,
	// 5 s and 60 s where they are zero.
	PerSector, PerFailure, PerStall time.Duration
}

// Request is one entry of a Fake's log.
type Request struct {
	Range    sector.Range
	Answered bool         // false: dropped, or still waiting
	Good     int64        // leading sectors delivered
	Class    device.Class // why the rest did not come; 0 where all came
}

// Fake is a drive in memory. It answers from its content and its script, does
// everything at once and the same way each time, and keeps time on a clock of
// its own. Its methods may be called by any goroutine.
type Fake struct {
	o Options

	mu       sync.Mutex
	now      time.Time
	info     device.Info // of the disc that lies in the drive
	opened   device.Info // as found at the last opening
	content  Content
	rules    []*rule
	released chan struct{} // closed by Release

	unplugged bool // the drive is away
	swapped   bool // another disc lies in it than was opened
	last      bool // closed for requests until reopened
	closed    bool
	done      chan struct{} // closed by Close

	waiting []int // indexes into log, oldest first
	log     []Request
	count   []int32 // requests that covered a sector
	buf     []byte
}

// NewFake is a drive with a disc of that many sectors.
func NewFake(sectors int64, o Options) *Fake {
	i := &o.Info
	i.Sectors = sectors
	i.Node = or(i.Node, "/dev/fake")
	i.Kind = or(i.Kind, "unknown")
	i.Medium = or(i.Medium, "fake/1")
	i.BlockSectors = or(i.BlockSectors, 16)
	i.MaxSectors = or(i.MaxSectors, 128)
	i.Depth = or(i.Depth, 2)
	o.PerSector = or(o.PerSector, time.Millisecond)
	o.PerFailure = or(o.PerFailure, 5*time.Second)
	o.PerStall = or(o.PerStall, time.Minute)
	f := &Fake{
		o: o, info: o.Info, opened: o.Info, content: o.Content,
		now:      time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC),
		released: make(chan struct{}), done: make(chan struct{}),
		count: make([]int32, sectors),
	}
	if f.content == nil {
		f.content = Pattern
	}
	return f
}

func or[T comparable](v, otherwise T) T {
	var zero T
	if v == zero {
		return otherwise
	}
	return v
}

// Info implements device.Reader.
func (f *Fake) Info() device.Info {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.opened
}

// Ask implements device.Reader.
func (f *Fake) Ask(r sector.Range) error {
	if err := f.queue(r); err != nil {
		return err
	}
	if f.o.OnAsk != nil {
		f.o.OnAsk(r)
	}
	return nil
}

func (f *Fake) queue(r sector.Range) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed || f.last {
		return device.ErrClosed
	}
	if err := f.opened.Check(r); err != nil {
		return err
	}
	if len(f.waiting) == f.opened.Depth {
		return device.ErrFull
	}
	f.waiting = append(f.waiting, len(f.log))
	f.log = append(f.log, Request{Range: r})
	for a := r.First; a < r.End && int(a) < len(f.count); a++ {
		f.count[a]++
	}
	return nil
}

// Answer implements device.Reader.
func (f *Fake) Answer(ctx context.Context) (device.Answer, error) {
	if err := ctx.Err(); err != nil {
		return device.Answer{}, err
	}
	for {
		f.mu.Lock()
		if f.closed {
			f.mu.Unlock()
			return device.Answer{}, device.ErrClosed
		}
		if len(f.waiting) == 0 {
			f.mu.Unlock()
			return device.Answer{}, device.ErrIdle
		}
		released, done := f.released, f.done
		if !f.hangs(f.log[f.waiting[0]].Range) {
			answer := f.serve()
			f.mu.Unlock()
			return answer, nil
		}
		f.mu.Unlock()
		select {
		case <-released:
		case <-done:
		case <-ctx.Done():
			return device.Answer{}, ctx.Err()
		}
	}
}

// serve answers the oldest request that waits. It is called with mu held.
func (f *Fake) serve() device.Answer {
	for i := range f.buf {
		f.buf[i] = 0xEE // whoever keeps an earlier answer's data sees it go
	}
	entry := &f.log[f.waiting[0]]
	f.waiting = f.waiting[1:]
	r := entry.Range
	a := device.Answer{Asked: r}

	bad, class := f.first(r)
	a.Err = f.failure(r, bad, class)
	good := r.Count()
	switch {
	case a.Err == nil:
		if f.weak(r) {
			a.Weak = []sector.Range{r}
		}
	case f.o.NamesAddress && class != device.Gone && class != device.Changed:
		good = int64(bad - r.First)
	default:
		good = 0
	}
	f.buf = make([]byte, good*sector.Size)
	for i := range good {
		f.content(r.First+sector.LBA(i), f.buf[i*sector.Size:][:sector.Size])
	}
	a.Data = f.buf
	a.Took = time.Duration(good) * f.o.PerSector
	if a.Err != nil {
		switch a.Err.Class {
		case device.Stalled:
			a.Took += f.o.PerStall
		case device.Gone, device.Changed, device.Refused:
		default:
			a.Took += f.o.PerFailure
		}
		if a.Err.Last() {
			f.last = true
			f.waiting = nil
		}
		entry.Class = a.Err.Class
	}
	f.now = f.now.Add(a.Took)
	entry.Answered, entry.Good = true, good
	return a
}

// Close implements device.Reader.
func (f *Fake) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.closed {
		f.closed = true
		f.waiting = nil
		close(f.done)
		for i := range f.buf {
			f.buf[i] = 0xEE
		}
	}
	return nil
}

// Reopen implements device.Reopener. While the drive is unplugged it fails with
// class Gone; after Insert, Info is of the new disc.
func (f *Fake) Reopen(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed {
		return device.ErrClosed
	}
	f.waiting, f.last = nil, true
	if f.unplugged {
		return &device.ReadError{Drive: f.info.Name(), Class: device.Gone, At: -1, Text: "ENODEV: no such device"}
	}
	f.last, f.swapped, f.opened = false, false, f.info
	return nil
}

// Restart is what the next run of the program finds: the drive opened anew,
// even after Close, with nothing waiting. Script, counts, log and clock stay.
func (f *Fake) Restart() {
	f.Close() // whoever waits in Answer is of the run before
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closed, f.done = false, make(chan struct{})
	f.waiting, f.last, f.swapped, f.opened = nil, false, false, f.info
}

// Now is the drive's own clock: it stands still but for the times that its
// answers took.
func (f *Fake) Now() time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now
}

// Requests is the log: every request that was queued, in order.
func (f *Fake) Requests() []Request {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]Request(nil), f.log...)
}

// CountOf is the number of queued requests that covered sector a.
func (f *Fake) CountOf(a sector.LBA) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	if a < 0 || int(a) >= len(f.count) {
		return 0
	}
	return int(f.count[a])
}

// ResetCounts empties the log and sets all counts to 0.
func (f *Fake) ResetCounts() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.log, f.waiting = nil, nil
	clear(f.count)
}
