package imager

import (
	"context"
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
