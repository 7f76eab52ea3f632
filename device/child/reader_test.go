package child

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
)

// bell is a clock that a test moves: what is to be done later is done when it
// strikes.
type bell struct {
	mu    sync.Mutex
	later []func()
}

func (c *bell) afterFunc(_ time.Duration, f func()) func() bool {
	var once sync.Once
	c.mu.Lock()
	defer c.mu.Unlock()
	c.later = append(c.later, func() { once.Do(f) })
	return func() bool {
		stopped := false
		once.Do(func() { stopped = true })
		return stopped
	}
}

// strike does what waits.
func (c *bell) strike() {
	c.mu.Lock()
	later := c.later
	c.later = nil
	c.mu.Unlock()
	for _, f := range later {
		f()
	}
}

// rush is a clock on which no time passes: all is done at once.
func rush(_ time.Duration, f func()) func() bool {
	f()
	return func() bool { return false }
}

// ended is a context that has ended.
func ended(t *testing.T) context.Context {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	return ctx
}

// start opens the drive of these tests.
func start(t *testing.T, d drive, clock func(time.Duration, func()) func() bool) *Reader {
	t.Helper()
	r, err := Start(t.Context(), Config{Opener: "test", Spec: d.spec(), Drive: "/dev/test", Stall: time.Hour, AfterFunc: clock})
	if err != nil {
		t.Fatalf("Start(%+v) = %v; want nil", d, err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

func ask(t *testing.T, r *Reader, ranges ...sector.Range) {
	t.Helper()
	for _, s := range ranges {
		if err := r.Ask(s); err != nil {
			t.Fatalf("Ask(%v) = %v; want nil", s, err)
		}
	}
}

func take(t *testing.T, r *Reader) device.Answer {
	t.Helper()
	a, err := r.Answer(t.Context())
	if err != nil {
		t.Fatalf("Answer() = %v; want an answer", err)
	}
	return a
}

func TestConforms(t *testing.T) {
	for _, depth := range []int{1, 2, 5} {
		for _, piece := range []int64{0, 16, 1} {
			t.Run(fmt.Sprintf("depth %d, %d at a time", depth, piece), func(t *testing.T) {
				devicetest.Run(t, func(t *testing.T) device.Reader { return start(t, drive{Depth: depth, Piece: piece}, nil) },
					devicetest.Disc{Content: devicetest.Pattern, Bad: badSectors})
			})
		}
	}
}

func TestAnswerSaysAll(t *testing.T) {
	r := start(t, drive{}, nil)
	ask(t, r, sector.Span(496, 16), sector.Span(700, 1))
	a := take(t, r)
	e := a.Err
	if e == nil || a.Good() != 4 || e.At != 500 || e.Sense != (device.Sense{Key: 3, ASC: 0x11, ASCQ: 5}) ||
		e.Text != "invented" || !errors.Is(e, unix.ENODATA) || e.Drive != "Invented" {
		t.Errorf("answer = %d good, %#v; want 4 and what the backend said", a.Good(), e)
	}
	if a := take(t, r); len(a.Weak) != 1 || a.Err != nil {
		t.Errorf("answer = weak %v, %v; want weak, nil", a.Weak, a.Err)
	}
	ask(t, r, sector.Span(crashes, 1), sector.Span(0, 1))
	if a := take(t, r); a.Err == nil || a.Err.Class != device.Gone || !strings.Contains(a.Err.Text, "invented crash") {
		t.Errorf("answer of a child that crashed = %v; want drive gone, with its words", a.Err)
	}
	if _, err := r.Answer(t.Context()); !errors.Is(err, device.ErrIdle) {
		t.Errorf("Answer() after the last = %v; want %v", err, device.ErrIdle)
	}
	if err := r.Reopen(t.Context()); err != nil {
		t.Fatalf("Reopen() = %v; want nil", err)
	}
	for _, at := range []sector.LBA{short, vague} {
		ask(t, r, sector.Span(at, 1))
		if a := take(t, r); a.Err == nil || a.Err.Class != device.Refused {
			t.Errorf("answer without a reason = %v; want refused", a.Err)
		}
	}
}

func TestGoneClosesTheReader(t *testing.T) {
	r := start(t, drive{}, nil)
	ask(t, r, sector.Span(goes, 1), sector.Span(0, 1))
	if a := take(t, r); a.Err == nil || a.Err.Class != device.Gone || !errors.Is(a.Err, unix.ENODEV) {
		t.Fatalf("answer = %v; want drive gone", a.Err)
	}
	if err := r.Ask(sector.Span(0, 1)); !errors.Is(err, device.ErrClosed) {
		t.Errorf("Ask after that = %v; want %v", err, device.ErrClosed)
	}
	if err := r.Reopen(t.Context()); err != nil {
		t.Fatalf("Reopen() = %v; want nil", err)
	}
	ask(t, r, sector.Span(0, 1))
	if a := take(t, r); a.Err != nil {
		t.Errorf("answer after Reopen = %v; want all of it", a.Err)
	}
}

func TestStallAbandonsTheChild(t *testing.T) {
	var c bell
	r := start(t, drive{}, c.afterFunc)
	ask(t, r, sector.Span(0, 16), sector.Span(hangs, 1))
	first := take(t, r)
	hung := r.p
	// A wait that ends, as the engine's do once a second, does not put the stall off.
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.Answer(ended); !errors.Is(err, context.Canceled) {
		t.Fatalf("Answer(ended context) = %v; want %v", err, context.Canceled)
	}
	c.strike()
	a := take(t, r)
	if a.Err == nil || a.Err.Class != device.Stalled || a.Took != time.Hour || a.Asked != sector.Span(hangs, 1) {
		t.Fatalf("answer = %v after %v; want a stall of 1h0m0s", a.Err, a.Took)
	}
	if err := r.Ask(sector.Span(0, 1)); !errors.Is(err, device.ErrClosed) {
		t.Errorf("Ask after a stall = %v; want %v", err, device.ErrClosed)
	}
	<-hung.ended // it was killed
	if err := r.Reopen(t.Context()); err != nil {
		t.Fatalf("Reopen() = %v; want nil", err)
	}
	if &r.p.mapping[0] == &hung.mapping[0] {
		t.Error("the new child has the mapping of the abandoned one")
	}
	ask(t, r, sector.Span(16, 16))
	if a := take(t, r); a.Err != nil {
		t.Errorf("answer after Reopen = %v; want all of it", a.Err)
	}
	// The first answer's data is not valid any more, but must not be unmapped while
	// the abandoned child is referred to.
	if first.Data[7] != 0 {
		t.Errorf("byte 7 of sector 0 = %d; want 0", first.Data[7])
	}
}

func TestAnswerThatIsThereBeatsTheStall(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	p := &process{replies: r, geometry: geometry{1, pageBytes}}
	p.mapping = make([]byte, p.size())
	p.head = p.mapping
	p.in = bufio.NewReader(readerFunc(p.read))
	one := answer{op: opRead, good: 1, at: -1}.append(nil)
	wait := []pending{{op: opRead, sectors: sector.Span(0, 1)}}
	reader := &Reader{p: p, closed: make(chan struct{}), pending: wait, config: Config{AfterFunc: rush}}
	reader.stall = reader.alarm(p, 1) // has rung
	ended, cancel := context.WithCancel(t.Context())
	cancel()

	if _, err := w.Write(one); err != nil {
		t.Fatal(err)
	}
	if a, err := reader.Answer(ended); err != nil || a.Err != nil || a.Good() != 1 {
		t.Errorf("Answer() of one that is there = %d good, %v, %v; want all of it", a.Good(), a.Err, err)
	}
	// The same where the alarm rings while half of it is there.
	reader.pending, reader.stall = wait, &alarm{stop: func() bool { return true }}
	if _, err := w.Write(one[:7]); err != nil {
		t.Fatal(err)
	}
	got := make(chan device.Answer)
	go func() { a, _ := reader.Answer(t.Context()); got <- a }()
	reader.stall.rung.Store(true)
	p.interrupt()
	if _, err := w.Write(one[7:]); err != nil {
		t.Fatal(err)
	}
	if a := <-got; a.Err != nil || a.Good() != 1 {
		t.Errorf("answer that came in two parts = %d good, %v; want all of it", a.Good(), a.Err)
	}
}

func TestAnswersOutOfTurnAreNotBelieved(t *testing.T) {
	for _, test := range []struct {
		name string
		a    answer
	}{
		{"another slot", answer{op: opRead, slot: 0, good: 1, at: -1}},
		{"more than was asked for", answer{op: opRead, slot: 1, good: 2, at: -1}},
		{"another kind", answer{op: opCall, slot: 1, at: -1}},
		{"a slot that is not there", answer{op: opRead, slot: 9, good: 1, at: -1}},
	} {
		r := start(t, drive{}, nil)
		// The child is asked for nothing; its answer is written here.
		replies, w, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		r.p.replies.Close()
		r.p.replies = replies
		r.pending = []pending{{op: opRead, slot: 1, sectors: sector.Span(0, 1)}}
		r.stall = r.alarm(r.p, time.Hour)
		if _, err := w.Write(test.a.append(nil)); err != nil {
			t.Fatal(err)
		}
		w.Close()
		if a := take(t, r); a.Err == nil || a.Err.Class != device.Gone || a.Good() != 0 {
			t.Errorf("answer of %s = %d good, %v; want none, drive gone", test.name, a.Good(), a.Err)
		}
	}
}

func TestOpeningFails(t *testing.T) {
	for _, test := range []struct {
		open string
		want device.OpenError
	}{
		{"absent", device.OpenError{Node: "/dev/test", What: "it is not there", Cure: "Plug it in.", Err: unix.ENXIO}},
		{"empty", device.OpenError{Node: "/dev/test", What: "no disc", NoDisc: true, Err: unix.ENOMEDIUM}},
		{"busy", device.OpenError{Node: "/dev/test", What: "busy", Err: unix.EBUSY}},
		{"plain error", device.OpenError{Node: "/dev/test", What: "it does not want"}},
		{"too deep", device.OpenError{Node: "/dev/test", What: "child: a drive of depth 17; want 1 to 16"}},
		{"too long", device.OpenError{Node: "/dev/test", What: "child: a drive that takes 4097 sectors a request; want 1 to 4096"}},
		{"crash", device.OpenError{Node: "/dev/test", What: "the process that reads the drive ended (exit status 2): panic: invented crash"}},
	} {
		_, err := Start(t.Context(), Config{Opener: "test", Spec: drive{Open: test.open}.spec(), Drive: "/dev/test", Stall: time.Hour})
		e, ok := errors.AsType[*device.OpenError](err)
		if !ok {
			t.Errorf("Start(%s) = %v; want an OpenError", test.open, err)
			continue
		}
		e.What, _, _ = strings.Cut(e.What, " [") // what the runtime adds
		if *e != test.want {
			t.Errorf("Start(%s) = %#v; want %#v", test.open, *e, test.want)
		}
	}
}

func TestOpeningHangs(t *testing.T) {
	config := Config{Opener: "test", Spec: drive{Open: "hang"}.spec(), Drive: "/dev/test", Stall: time.Minute, AfterFunc: rush}
	_, err := Start(t.Context(), config)
	if e, ok := errors.AsType[*device.OpenError](err); !ok || !strings.Contains(e.What, "no answer within 1m0s") || e.Cure == "" {
		t.Errorf("Start of a drive that hangs = %v; want an OpenError that says so", err)
	}
	config.AfterFunc = nil
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Start(ctx, config); !errors.Is(err, context.Canceled) {
		t.Errorf("Start with a context that ends = %v; want %v", err, context.Canceled)
	}
	r := start(t, drive{}, nil)
	r.config.Spec = config.Spec
	reopened := make(chan error)
	go func() { reopened <- r.Reopen(t.Context()) }()
	for r.isOpening() == nil {
		runtime.Gosched()
	}
	r.Close()
	if err := <-reopened; !errors.Is(err, device.ErrClosed) {
		t.Errorf("Reopen of a drive that hangs while Close is called = %v; want %v", err, device.ErrClosed)
	}
}

func (r *Reader) isOpening() *process {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.opening
}

func TestConfigIsChecked(t *testing.T) {
	for _, test := range []struct {
		name   string
		config Config
	}{
		{"no stall time", Config{Opener: "test", Spec: drive{}.spec()}},
		{"a spec too long", Config{Opener: "test", Spec: make([]byte, maxPayload+1), Stall: time.Hour}},
		{"an unknown opener", Config{Opener: "nobody", Spec: drive{}.spec(), Stall: time.Hour}},
	} {
		if r, err := Start(t.Context(), test.config); err == nil {
			r.Close()
			t.Errorf("Start with %s = nil; want an error", test.name)
		}
	}
}

func TestReopenSaysWhatTheDriveDid(t *testing.T) {
	for _, test := range []struct {
		open  string
		class device.Class // 0: an OpenError alone
	}{{"absent", device.Gone}, {"empty", device.Gone}, {"busy", 0}, {"hang", device.Stalled}} {
		r := start(t, drive{}, nil)
		r.config.Spec = drive{Open: test.open}.spec() // the drive is not what it was
		if test.open == "hang" {
			r.config.Stall = 1
		}
		err := r.Reopen(t.Context())
		read, isRead := errors.AsType[*device.ReadError](err)
		_, isOpen := errors.AsType[*device.OpenError](err)
		if !isOpen || isRead != (test.class != 0) || isRead && read.Class != test.class {
			t.Errorf("Reopen(%s) = %v; want class %v", test.open, err, test.class)
		}
		if err := r.Ask(sector.Span(0, 1)); !errors.Is(err, device.ErrClosed) {
			t.Errorf("Ask after that = %v; want %v", err, device.ErrClosed)
		}
	}
}

func TestCloseWhileTheDriveHangs(t *testing.T) {
	var c bell
	r := start(t, drive{}, c.afterFunc)
	ask(t, r, sector.Span(hangs, 1))
	hung := r.p
	waiting := make(chan error)
	go func() { _, err := r.Answer(t.Context()); waiting <- err }()
	closed := make(chan error)
	go func() { closed <- r.Close() }()
	if err := <-waiting; !errors.Is(err, device.ErrClosed) {
		t.Errorf("Answer() while Close is called = %v; want %v", err, device.ErrClosed)
	}
	// No clock has struck: the child has left by itself when its requests ended.
	if err := <-closed; err != nil {
		t.Errorf("Close() = %v; want nil", err)
	}
	<-hung.ended
}
