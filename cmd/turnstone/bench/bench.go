package bench

import (
	"context"
	"sync"
	"time"

	"turnstone/imager"
)

// Options are what a bench is made of.
type Options struct {
	Cases   []string // cases, and folders of cases; none: the current folder
	Runs    *imager.Runs
	Drives  Drives
	Speech  Speech
	Counsel Counsel
	Reports Reports
	By      string // who works at it, for the record; "" where nobody says
	Epoch   string // unlike that of any server before
}

// Bench is the cases and drives that pages show. Its methods may be called by any
// goroutine.
type Bench struct {
	Options
	shelf  *shelf
	ledger *ledger
	ctx    context.Context // ends the passes that pages start
	kick   chan struct{}   // asks the painter to come by at once
	glance chan struct{}   // asks to look at the drives at once

	mu      sync.Mutex
	viewers map[string]int // by the ID of the case that they look at
	polled  time.Time      // when somebody asked last who can't be counted
	polledC string         // and for which case
	seen    []seenDrive    // the drives, as they were looked at last
}

// New is a bench. ErrNothing is returned where one of the folders is none. The passes
// that pages start end with ctx.
func New(ctx context.Context, o Options) (*Bench, error) {
	s, err := newShelf(o.Cases)
	if err != nil {
		return nil, err
	}
	return &Bench{Options: o, shelf: s, ledger: newLedger(o.Epoch), ctx: ctx, kick: make(chan struct{}, 1), glance: make(chan struct{}, 1),
		viewers: map[string]int{}}, nil
}

// Rhythm of the page.
const (
	beat      = time.Second     // pages hear no more often
	lookEvery = 3 * time.Second // at drives
	forgetful = 10 * time.Second
)

// Work keeps what pages are told up to date until ctx ends. Where nobody looks it does
// nothing.
func (b *Bench) Work(ctx context.Context) {
	var all sync.WaitGroup
	all.Go(func() { b.every(ctx, beat, b.kick, b.paint) })
	all.Go(func() { b.every(ctx, lookEvery, b.glance, func() { b.lookAtDrives(ctx) }) })
	all.Wait()
}

// every does something again and again while somebody looks.
func (b *Bench) every(ctx context.Context, pause time.Duration, kick <-chan struct{}, do func()) {
	for {
		if b.watched() {
			do()
		}
		select {
		case <-time.After(pause):
		case <-kick:
		case <-ctx.Done():
			return
		}
	}
}

// soon has the painter come by, and the drives looked at.
func (b *Bench) soon() {
	for _, c := range []chan struct{}{b.kick, b.glance} {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// enter counts a viewer of a case ("" for none in particular) until the function that
// it returns is called.
func (b *Bench) enter(id string) (leave func()) {
	b.mu.Lock()
	b.viewers[id]++
	b.mu.Unlock()
	b.soon()
	return func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		if b.viewers[id]--; b.viewers[id] == 0 {
			delete(b.viewers, id)
		}
	}
}

// asked notes a viewer who asks now and then.
func (b *Bench) asked(id string) {
	b.mu.Lock()
	first := time.Since(b.polled) > forgetful || b.polledC != id
	b.polled, b.polledC = time.Now(), id
	b.mu.Unlock()
	if first {
		b.soon()
	}
}

// watched tells whether anybody looks.
func (b *Bench) watched() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.viewers) > 0 || time.Since(b.polled) < forgetful
}

// watchedCase tells whether anybody looks at a case.
func (b *Bench) watchedCase(id string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.viewers[id] > 0 || b.polledC == id && time.Since(b.polled) < forgetful
}
