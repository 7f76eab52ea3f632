package devicetest

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// Disc says what the readers that Run is given have in them.
type Disc struct {
	Content Content
	Bad     []Bad // in order of address, none touching; at least 64 sectors lie before the first
}

// Bad is a stretch of sectors that fail each time, and how.
type Bad struct {
	Range sector.Range
	Class device.Class
}

// Run is the conformance suite of device.Reader: what the documentation of the
// interface promises, held against real readers. Open opens one that is new, and
// closes it when the test that it is given ends; all of them have the same disc.
func Run(t *testing.T, open func(t *testing.T) device.Reader, d Disc) {
	for _, test := range []struct {
		name string
		run  func(s subject)
	}{
		{"info", subject.info},
		{"delivers", subject.delivers},
		{"queue", subject.queue},
		{"data stays", subject.dataStays},
		{"refuses", subject.refuses},
		{"context", subject.context},
		{"close", subject.close},
		{"close while waiting", subject.closeWaiting},
		{"same medium", subject.sameMedium},
		{"reopen", subject.reopen},
		{"finish", subject.finish},
		{"bad sectors", subject.bad},
	} {
		t.Run(test.name, func(t *testing.T) { test.run(subject{t, open(t), open, d}) })
	}
}

type subject struct {
	*testing.T
	r    device.Reader
	open func(t *testing.T) device.Reader
	d    Disc
}

// ask asks for r and fails the test when it is not taken.
func (s subject) ask(r sector.Range) {
	s.Helper()
	if err := s.r.Ask(r); err != nil {
		s.Fatalf("Ask(%v) = %v; want nil", r, err)
	}
}

// take takes the next answer, which must be to r and keep to what an answer is.
func (s subject) take(r sector.Range) device.Answer {
	s.Helper()
	a, err := s.r.Answer(s.Context())
	if err != nil {
		s.Fatalf("Answer() = %v; want the answer to %v", err, r)
	}
	if a.Asked != r {
		s.Fatalf("Answer().Asked = %v; want %v", a.Asked, r)
	}
	if len(a.Data)%sector.Size != 0 || a.Good() > r.Count() || a.Err != nil && a.Good() == r.Count() {
		s.Fatalf("answer to %v: %d bytes, error %v; want sectors that lead it, and an error only where not all came", r, len(a.Data), a.Err)
	}
	if a.Took < 0 || a.Last < 0 || a.Last > a.Took {
		s.Errorf("answer to %v took %v, of which %v; want no negative time", r, a.Took, a.Last)
	}
	came, end := sector.Span(r.First, a.Good()), r.First
	for _, w := range a.Weak {
		if w.Empty() || w.First < end || !came.Covers(w) {
			s.Errorf("answer to %v: %d good, weak %v; want parts of what came, in order", r, a.Good(), a.Weak)
		}
		end = w.End
	}
	s.compare(a)
	return a
}

// compare holds an answer's data against the disc.
func (s subject) compare(a device.Answer) {
	s.Helper()
	want := make([]byte, sector.Size)
	for i := range sector.LBA(a.Good()) {
		s.d.Content(a.Asked.First+i, want)
		if !bytes.Equal(a.Data[i.Offset():][:sector.Size], want) {
			s.Fatalf("answer to %v: sector %d has other bytes than the disc", a.Asked, a.Asked.First+i)
		}
	}
}

// good asks for r, all of which must come.
func (s subject) good(r sector.Range) {
	s.Helper()
	s.ask(r)
	if a := s.take(r); a.Err != nil || a.Good() < r.Count() {
		s.Fatalf("answer to %v = %d sectors, %v; want all of it", r, a.Good(), a.Err)
	}
}

// idle fails the test unless nothing waits.
func (s subject) idle() {
	s.Helper()
	if a, err := s.r.Answer(s.Context()); !errors.Is(err, device.ErrIdle) {
		s.Fatalf("Answer() = an answer to %v, %v; want %v", a.Asked, err, device.ErrIdle)
	}
}

// start is a range of n sectors at the start of the disc, where all is good.
func (s subject) start(n int64) sector.Range {
	return sector.Span(0, min(n, int64(s.r.Info().MaxSectors), 64))
}

func (s subject) info() {
	i := s.r.Info()
	if i.Sectors <= 0 || i.BlockSectors < 1 || i.MaxSectors < 1 || i.MaxSectors%i.BlockSectors != 0 || i.Depth < 1 {
		s.Errorf("Info() = %+v; want sectors, blocks, whole blocks a request and a depth", i)
	}
	if !slices.Contains([]string{"cd", "dvd", "bd", "unknown"}, i.Kind) {
		s.Errorf("Info().Kind = %q; want cd, dvd, bd or unknown", i.Kind)
	}
	if i.Node == "" || i.Name() == "" {
		s.Errorf("Info() has node %q and name %q; want both", i.Node, i.Name())
	}
}

func (s subject) delivers() {
	info := s.r.Info()
	bad := s.badSet()
	rng := rand.New(rand.NewPCG(1, 2))
	ranges := []sector.Range{
		sector.Span(0, 1), s.start(int64(info.BlockSectors)), s.start(int64(info.MaxSectors)),
		sector.Span(sector.LBA(info.Sectors-1), 1),
	}
	for range 100 {
		n := 1 + rng.Int64N(int64(info.MaxSectors))
		first := sector.LBA(rng.Int64N(info.Sectors))
		ranges = append(ranges, sector.Range{First: first, End: min(first+sector.LBA(n), sector.LBA(info.Sectors))})
	}
	for _, r := range ranges {
		if !bad.Overlaps(r) {
			s.good(r)
		}
	}
}

func (s subject) queue() {
	depth := s.r.Info().Depth
	s.idle()
	for i := range depth {
		s.ask(sector.Span(sector.LBA(i), 2))
	}
	if err := s.r.Ask(sector.Span(0, 1)); !errors.Is(err, device.ErrFull) {
		s.Fatalf("Ask with %d requests waiting = %v; want %v", depth, err, device.ErrFull)
	}
	for i := range depth {
		s.take(sector.Span(sector.LBA(i), 2))
	}
	s.idle()
}

func (s subject) dataStays() {
	depth := s.r.Info().Depth
	// Round and round, so that each place that the data may lie in is used.
	for range 2*depth + 3 {
		s.ask(s.start(16))
		a := s.take(s.start(16))
		for i := range depth {
			s.ask(sector.Span(sector.LBA(32+i), 16))
		}
		s.compare(a)
		for i := range depth {
			// The last of them has been read for certain once it is taken.
			a := s.take(sector.Span(sector.LBA(32+i), 16))
			s.compare(a)
		}
	}
}

func (s subject) refuses() {
	i := s.r.Info()
	end := sector.LBA(i.Sectors)
	refused := []sector.Range{{}, {First: 5, End: 5}, {First: 6, End: 5}, {First: -1, End: 1}, sector.Span(end, 1), sector.Span(end-1, 2)}
	if long := sector.Span(0, int64(i.MaxSectors)+1); long.End <= end {
		refused = append(refused, long)
	}
	for _, r := range refused {
		if err := s.r.Ask(r); err == nil || errors.Is(err, device.ErrClosed) {
			s.Fatalf("Ask({%d %d}) of %d sectors, %d at most = %v; want it refused", r.First, r.End, i.Sectors, i.MaxSectors, err)
		}
	}
	s.idle()
	s.good(sector.Span(0, 1))
}

func (s subject) context() {
	ended, cancel := context.WithCancel(s.Context())
	cancel()
	r := s.start(16)
	s.ask(r)
	a, err := s.r.Answer(ended)
	switch {
	case err == nil: // it was there already
		if a.Asked != r {
			s.Fatalf("Answer().Asked = %v; want %v", a.Asked, r)
		}
	case errors.Is(err, context.Canceled):
		s.take(r)
	default:
		s.Fatalf("Answer(ended context) = %v; want %v or the answer", err, context.Canceled)
	}
	s.idle()
}

func (s subject) close() {
	s.ask(s.start(16))
	for range 2 {
		if err := s.r.Close(); err != nil {
			s.Fatalf("Close() = %v; want nil", err)
		}
		if err := s.r.Ask(s.start(1)); !errors.Is(err, device.ErrClosed) {
			s.Fatalf("Ask after Close = %v; want %v", err, device.ErrClosed)
		}
		if _, err := s.r.Answer(s.Context()); !errors.Is(err, device.ErrClosed) {
			s.Fatalf("Answer after Close = %v; want %v", err, device.ErrClosed)
		}
		if again, ok := s.r.(device.Reopener); ok {
			if err := again.Reopen(s.Context()); !errors.Is(err, device.ErrClosed) {
				s.Fatalf("Reopen after Close = %v; want %v", err, device.ErrClosed)
			}
		}
	}
}

func (s subject) closeWaiting() {
	s.ask(s.start(16))
	closed := make(chan error)
	go func() { closed <- s.r.Close() }()
	a, err := s.r.Answer(s.Context())
	if err != nil && !errors.Is(err, device.ErrClosed) {
		s.Errorf("Answer while another goroutine closes = %v; want an answer or %v", err, device.ErrClosed)
	}
	if err := <-closed; err != nil {
		s.Errorf("Close() = %v; want nil", err)
	}
	_ = a // its data is not valid any more
}

func (s subject) sameMedium() {
	other := s.open(s.T).Info().Medium
	if m := s.r.Info().Medium; m != other {
		s.Errorf("Info().Medium = %q and %q of two openings of one disc; want the same", m, other)
	}
}

func (s subject) reopen() {
	again, ok := s.r.(device.Reopener)
	if !ok {
		s.Skip("the reader can't be reopened")
	}
	before := s.r.Info()
	s.ask(s.start(16))
	if err := again.Reopen(s.Context()); err != nil {
		s.Fatalf("Reopen() = %v; want nil", err)
	}
	s.idle()
	if after := s.r.Info(); !reflect.DeepEqual(after, before) {
		s.Errorf("Info() after Reopen = %+v; want %+v", after, before)
	}
	s.good(s.start(16))
}

func (s subject) finish() {
	end, ok := s.r.(device.Finisher)
	if !ok {
		s.Skip("what waits can't be brought to an end")
	}
	end.Finish(time.Minute) // nothing waits
	s.idle()
	info := s.r.Info()
	r := s.start(int64(info.MaxSectors))
	for range 3 {
		for range info.Depth {
			s.ask(r)
		}
		end.Finish(time.Minute)
		for range info.Depth {
			if a := s.take(r); a.Err != nil {
				s.Errorf("answer after Finish = %v; want what came, without an error", a.Err)
			} else if a.Silent != 0 {
				s.Errorf("answer after Finish = silent for %v; want 0: it had its time", a.Silent)
			}
		}
		s.idle()
		s.good(r) // it goes on
	}
}

func (s subject) badSet() sector.Set {
	var set sector.Set
	for _, b := range s.d.Bad {
		set.Add(b.Range)
	}
	return set
}

func (s subject) bad() {
	if len(s.d.Bad) == 0 {
		s.Skip("the disc has none")
	}
	info := s.r.Info()
	set := s.badSet()
	for _, b := range s.d.Bad {
		for a := b.Range.First; a < b.Range.End; a++ {
			s.fails(sector.Span(a, 1), b)
		}
		if before := sector.Span(b.Range.First-1, 1); !set.Overlaps(before) {
			s.good(before)
		}
		if after := sector.Span(b.Range.End, 1); !set.Overlaps(after) && after.End <= sector.LBA(info.Sectors) {
			s.good(after)
		}
		block := sector.Span(b.Range.First, 1).Blocks(int64(info.BlockSectors))
		block.End = min(block.End, sector.LBA(info.Sectors))
		s.fails(block, b)
		// What was asked before and after a failure comes in its turn.
		if info.Depth > 1 {
			s.ask(sector.Span(b.Range.First, 1))
			s.ask(s.start(16))
			s.failed(sector.Span(b.Range.First, 1), b)
			if a := s.take(s.start(16)); a.Err != nil {
				s.Errorf("answer to %v behind a failure = %v; want all of it", a.Asked, a.Err)
			}
		}
	}
}

// fails asks for r, in which b is the first failure.
func (s subject) fails(r sector.Range, b Bad) {
	s.Helper()
	s.ask(r)
	s.failed(r, b)
}

func (s subject) failed(r sector.Range, b Bad) {
	s.Helper()
	a := s.take(r)
	if a.Err == nil {
		s.Fatalf("answer to %v = all of it; want %v", r, b.Class)
	}
	e := a.Err
	if e.Class != b.Class || !r.Covers(e.Asked) || !e.Asked.Overlaps(b.Range) {
		s.Errorf("answer to %v = %v of class %v for %v; want class %v, for a part of it that is bad", r, e, e.Class, e.Asked, b.Class)
	}
	if e.At != -1 && (!r.Contains(e.At) || !b.Range.Contains(e.At)) {
		s.Errorf("answer to %v fails at %d; want -1 or a sector of %v", r, e.At, b.Range)
	}
	if good := r.First + sector.LBA(a.Good()); good > max(r.First, b.Range.First) || !e.Asked.Contains(good) {
		s.Errorf("answer to %v has %d sectors; want none of %v", r, a.Good(), b.Range)
	}
	if name := s.r.Info().Name(); e.Drive != name || !strings.Contains(e.Error(), name) {
		s.Errorf("answer to %v = %v; want the drive's name %q in it", r, e, name)
	}
}
