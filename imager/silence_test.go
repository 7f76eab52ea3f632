package imager

import (
	"context"
	"reflect"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// A pass that ends while the drive is silent says where: what it had asked for there is not
// bad, and whoever looks at the case later knows why the pass did not come past it.
func TestEndedInSilence(t *testing.T) {
	const large, small, at = 8192, 1024, 640 // requests are of two blocks on the large one, of one on the small one
	for _, test := range []struct {
		name    string
		disc    int64
		once    bool // the drive can't be opened again
		script  func(*devicetest.Fake)
		how     string
		silence sector.Range // empty: none
		seconds float64
		bad     int64 // of it
	}{
		{"interrupted in the middle of a request", large, false, func(f *devicetest.Fake) { f.Hang(sector.Span(at, 1)) }, HowInterrupted, sector.Span(at, 32), 5, 0},
		{"no answer, and no more", large, true, func(f *devicetest.Fake) { f.Stall(sector.Span(at, 1), 1) }, HowStalled, sector.Span(at, 32), 60, 0},
		{"a block that had its full time", small, true, func(f *devicetest.Fake) { f.Stall(sector.Span(at, 1), 1) }, HowStalled, sector.Span(at, 16), 60, 16},
		{"a stall that it went on after", large, false, func(f *devicetest.Fake) { f.Stall(sector.Span(at, 1), 1) }, HowComplete, sector.Range{}, 0, 0},
		{"a drive that is gone, with a request behind", large, false, func(f *devicetest.Fake) { f.GoneAt(sector.Span(at, 1)) }, HowGone, sector.Range{}, 0, 0},
		{"a drive that answers", large, false, func(f *devicetest.Fake) { f.Fail(sector.Span(at, 1), device.Medium, 1) }, HowComplete, sector.Range{}, 0, 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			c := made(t, test.disc)
			fake := devicetest.NewFake(test.disc, devicetest.Options{})
			test.script(fake)
			drive := device.Reader(fake)
			if test.once {
				drive = struct{ device.Reader }{fake}
			}
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			now := epochTime
			c.now = func() time.Time { return now }
			l := &atHang{at: at, stop: func() {
				if test.how == HowInterrupted {
					now = now.Add(5 * time.Second)
					stop()
				}
			}}
			end, err := c.Read(ctx, Reading{Reader: drive, Listener: l})
			if err != nil || end.How != test.how {
				t.Fatalf("Read() = %+v, %v; want it ended as %q", end, err, test.how)
			}
			if err := c.Close(); err != nil {
				t.Fatal(err)
			}
			m := mustLoad(t, c.Dir)
			got := m.Passes()[end.Pass].Silence
			st := StatusOf(m).Rounds[0].Passes[end.Pass].Silence
			if test.silence.Empty() {
				if got != nil || st != nil || strings.Contains(end.Why, "silent") {
					t.Errorf("silence = %+v, %+v, %q; want none", got, st, end.Why)
				}
				return
			}
			want := mapfile.Silence{Sectors: test.silence, Seconds: test.seconds}
			if got == nil || *got != want {
				t.Fatalf("silence = %+v; want %+v", got, want)
			}
			if st == nil || st.Bad != test.bad || st.Untried != test.silence.Count()-test.bad || st.Seconds != test.seconds {
				t.Errorf("status tells %+v; want %d bad, the rest of %v untried", st, test.bad, test.silence)
			}
			if test.how == HowInterrupted && !strings.HasSuffix(end.Why, "; the drive was silent then, for 5s: sectors 640+32 are not marked bad for it") {
				t.Errorf("the pass ended since %q; want it said where the drive was silent", end.Why)
			}
		})
	}
}

// The time of the silence counts from the drive's last answer: of a request that it was asked
// for by several commands some may have come long after the request was made.
func TestSilenceSinceTheLastPart(t *testing.T) {
	const n, at, came = 8192, 640, 16 // requests are of 32 sectors
	for _, test := range []struct {
		name    string
		silent  time.Duration
		silence *mapfile.Silence
	}{
		{"the second command is not answered", 7 * time.Second, &mapfile.Silence{Sectors: sector.Span(at+came, 16), Seconds: 7}},
		{"it was made to end, and did", 0, nil},
	} {
		c := made(t, n)
		drive := &parted{Fake: devicetest.NewFake(n, devicetest.Options{}), came: came, silent: test.silent}
		drive.Hang(sector.Span(at, 1))
		ctx, stop := context.WithCancel(t.Context())
		now := epochTime
		c.now = func() time.Time { return now }
		l := &atHang{at: at, stop: func() {
			now = now.Add(90 * time.Second) // since the request was made
			stop()
		}}
		end, err := c.Read(ctx, Reading{Reader: drive, Listener: l})
		stop()
		if err != nil || end.How != HowInterrupted {
			t.Fatalf("%s: Read() = %+v, %v; want it interrupted", test.name, end, err)
		}
		if got := c.m.Passes()[end.Pass].Silence; !reflect.DeepEqual(got, test.silence) {
			t.Errorf("%s: silence = %+v; want %+v", test.name, got, test.silence)
		}
		if told := strings.Contains(end.Why, "silent then, for 7s: sectors 656+16 "); told != (test.silence != nil) {
			t.Errorf("%s: the pass ended since %q", test.name, end.Why)
		}
		if got := c.m.State(at); got != mapfile.Good {
			t.Errorf("%s: sector %d = %v; want what came before good", test.name, at, got)
		}
	}
}

// A stall whose answer comes after the pass has ended is a silence, too.
func TestSilenceAfterTheEnd(t *testing.T) {
	const n, at = 8192, 640
	c := made(t, n)
	drive := devicetest.NewFake(n, devicetest.Options{})
	drive.Stall(sector.Span(at, 1), 1)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	end, err := c.Read(ctx, Reading{Reader: drive, Listener: &atHang{at: at, heard: 1, stop: stop}})
	if err != nil || end.How != HowInterrupted {
		t.Fatalf("Read() = %+v, %v; want it interrupted", end, err)
	}
	want := &mapfile.Silence{Sectors: sector.Span(at, 32), Seconds: 60}
	if got := c.m.Passes()[end.Pass].Silence; !reflect.DeepEqual(got, want) {
		t.Errorf("silence = %+v; want %+v", got, want)
	}
}

// parted is a drive that is asked by several commands: made to finish, it answers by what
// came, and tells how long it has been silent since.
type parted struct {
	*devicetest.Fake
	came    int64
	silent  time.Duration
	waiting []sector.Range
	over    bool
}

func (d *parted) Ask(r sector.Range) error {
	d.waiting = append(d.waiting, r)
	return d.Fake.Ask(r)
}

func (d *parted) Finish(time.Duration) { d.over = true }

func (d *parted) Answer(ctx context.Context) (device.Answer, error) {
	if !d.over || len(d.waiting) == 0 {
		a, err := d.Fake.Answer(ctx)
		if err == nil {
			d.waiting = d.waiting[1:]
		}
		return a, err
	}
	a := device.Answer{Asked: d.waiting[0], Data: make([]byte, d.came*sector.Size), Silent: d.silent}
	for i := range d.came {
		devicetest.Pattern(a.Asked.First+sector.LBA(i), a.Data[i*sector.Size:][:sector.Size])
	}
	d.waiting, d.came, d.silent = d.waiting[1:], 0, 0 // nothing of those behind it
	return a, nil
}

// atHang ends a pass when the drive works on a request from a sector on for the second
// time that it is told of.
type atHang struct {
	silent
	at    sector.LBA
	heard int
	stop  func()
}

func (l *atHang) Progress(p Progress) {
	if p.At.First == l.at && !p.At.Empty() {
		if l.heard++; l.heard == 2 {
			l.stop()
		}
	}
}
