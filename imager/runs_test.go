package imager

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// listening is a desk that remembers what it was told.
type listening struct {
	mu     sync.Mutex
	events []mapfile.Event
	notes  []string
	heard  chan struct{} // closed with the first progress
	once   sync.Once
	ready  func(*Case, *Reading) error
}

func newListening() *listening { return &listening{heard: make(chan struct{})} }

func (l *listening) Event(e mapfile.Event) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.events = append(l.events, e)
}

func (l *listening) Progress(Progress) { l.once.Do(func() { close(l.heard) }) }

func (l *listening) Note(text string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.notes = append(l.notes, text)
}

func (l *listening) Ready(_ context.Context, c *Case, _ device.Info, r *Reading) error {
	if l.ready == nil {
		return nil
	}
	return l.ready(c, r)
}

// bench is a run service, and drives with discs of so many sectors.
type bench struct {
	*Runs
	dir string
}

func newBench(t *testing.T) bench {
	var n atomic.Int64
	b := bench{dir: t.TempDir(), Runs: NewRuns(func() Writer {
		return Writer{Command: "test", CaseID: fmt.Sprint("invented-", n.Add(1)), Now: time.Now}
	})}
	t.Cleanup(b.End)
	return b
}

// job reads a drive into a case; the drive stays open for the test.
func (b bench) job(name string, f *devicetest.Fake) Job {
	return Job{Dir: filepath.Join(b.dir, name), Open: func(context.Context, Known) (device.Reader, error) { return kept{f}, nil }}
}

// discIn is a drive of a serial number that holds a disc.
func discIn(medium, serial string) devicetest.Options {
	return devicetest.Options{Info: device.Info{Medium: medium, Serial: serial}}
}

// kept is a drive that outlasts the run.
type kept struct{ *devicetest.Fake }

func (kept) Close() error { return nil }

func (b bench) start(t *testing.T, drive string, j Job, d Desk) *Run {
	t.Helper()
	r, err := b.Start(t.Context(), drive, j, d)
	if err != nil {
		t.Fatalf("Start(%s) = %v; want nil", drive, err)
	}
	return r
}

// Two drives read two discs at once: each is in the middle of its own while the other
// is.
func TestTwoDrivesTwoDiscs(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	var fakes [2]*devicetest.Fake
	var runs [2]*Run
	for i := range fakes {
		fakes[i] = devicetest.NewFake(256, discIn(fmt.Sprint("disc ", i), ""))
		fakes[i].Hang(sector.Span(128, 16))
		d := newListening()
		runs[i] = b.start(t, fmt.Sprint("drive ", i), b.job(fmt.Sprint("case-", i), fakes[i]), d)
		<-d.heard
	}
	for i, r := range runs {
		if got := r.Stage(); got != Running {
			t.Errorf("run %d is at stage %d; want %d, as the other", i, got, Running)
		}
		if on := b.On(r.Dir); len(on) != 1 || on[0] != r || b.With(r.Drive) != r {
			t.Errorf("On(%s) = %v, With(%s) = %v; want this run", r.Dir, on, r.Drive, b.With(r.Drive))
		}
	}
	for i, f := range fakes {
		f.Release()
		out, err := runs[i].Wait()
		if err != nil || out.How != HowComplete || out.Map.Count(mapfile.Good) != 256 {
			t.Errorf("run %d ended %q, %v; want complete with all sectors good", i, out.How, err)
		}
		if user, err := UserOf(runs[i].Dir); user != nil || err != nil {
			t.Errorf("UserOf after run %d = %v, %v; want nobody", i, user, err)
		}
	}
}

// One case is read by one drive while another waits, and then reads what is missing;
// meanwhile nothing else is done to the case, and its drive is its own.
func TestOneCaseTwoDrives(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	first := devicetest.NewFake(256, discIn("disc", "first"))
	first.Fail(sector.Span(64, 32), device.Medium, devicetest.Always)
	first.Hang(sector.Span(192, 16))
	second := devicetest.NewFake(256, discIn("disc", "second"))
	d := newListening()
	one := b.start(t, "first", b.job("case", first), d)
	<-d.heard
	two := b.start(t, "second", b.job("case", second), newListening())
	if got := two.Stage(); got != Waiting {
		t.Errorf("the second run is at stage %d; want %d", got, Waiting)
	}
	if on := b.On(one.Dir); len(on) != 2 || on[0] != one || on[1] != two {
		t.Errorf("On(%s) = %v; want the run that reads, then the one that waits", one.Dir, on)
	}
	if _, err := b.Start(t.Context(), "first", b.job("other", first), newListening()); !errors.Is(err, ErrBusy) {
		t.Errorf("Start with a drive that reads = %v; want ErrBusy", err)
	}
	if err := b.Change(one.Dir, func(*Case) error { return nil }); !errors.Is(err, ErrBusy) {
		t.Errorf("Change of a case that is read = %v; want ErrBusy", err)
	}
	first.Release()
	if out, err := one.Wait(); err != nil || out.Map.Count(mapfile.Bad) != 32 {
		t.Errorf("the first run ended %q, %v with %d bad; want 32 bad", out.How, err, out.Map.Count(mapfile.Bad))
	}
	out, err := two.Wait()
	if err != nil || out.Map.Count(mapfile.Good) != 256 {
		t.Errorf("the second run ended %q, %v; want all sectors good", out.How, err)
	}
	for a := range sector.LBA(256) {
		if n, bad := second.CountOf(a), a >= 64 && a < 96; bad != (n > 0) && n > 1 {
			t.Errorf("sector %d was asked of the second drive %d times; want only what was missing", a, n)
		}
	}
}

// A run that waits can be stopped, and one that reads is ended in order: what came is
// saved, and the drive is told to stop the disc, or somebody is.
func TestStopARun(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	f := devicetest.NewFake(256, discIn("disc", ""))
	f.Hang(sector.Span(128, 16))
	d := newListening()
	one := b.start(t, "first", b.job("case", f), d)
	<-d.heard
	two := b.start(t, "second", b.job("case", f), newListening())
	two.Stop()
	if out, err := two.Wait(); !errors.Is(err, context.Canceled) || out.Pass != -1 || out.Map != nil {
		t.Errorf("a stopped run that waited ended %+v, %v; want canceled before a pass", out, err)
	}
	one.Stop()
	out, err := one.Wait()
	if err != nil || out.How != HowInterrupted || out.Map.Count(mapfile.Good) == 0 {
		t.Errorf("a stopped run ended %q, %v; want interrupted, with what came saved", out.How, err)
	}
	if len(d.notes) == 0 || d.notes[len(d.notes)-1] != "This drive can't be told to stop its disc: switch it off, or open its tray." {
		t.Errorf("notes = %q; want what to do about the disc that turns", d.notes)
	}
	if m, err := Load(one.Dir); err != nil || m.Count(mapfile.Good) != out.Map.Count(mapfile.Good) {
		t.Errorf("the case on the disk has not what the run says: %v", err)
	}
}

// What is wrong is told before anything is made or read.
func TestRunRefuses(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	f := devicetest.NewFake(256, discIn("disc", ""))
	fails := errors.New("no such drive")
	for _, c := range []struct {
		name   string
		change func(*Job)
		want   error
	}{
		{"no tray", func(j *Job) { j.Eject = true }, ErrNoTray},
		{"no geometry", func(j *Job) { j.Reading.Survey = 10 }, ErrNoPlaces},
		{"outside", func(j *Job) { j.Reading.Only = sector.Of(sector.Span(300, 1)) }, ErrRange},
		{"nothing to settle", func(j *Job) { j.Reading.Settle = true }, ErrNoCase},
		{"no drive", func(j *Job) {
			j.Open = func(context.Context, Known) (device.Reader, error) { return nil, fails }
		}, fails},
	} {
		j := b.job("refused", f)
		c.change(&j)
		out, err := b.start(t, "", j, newListening()).Wait()
		if !errors.Is(err, c.want) || out.Pass != -1 {
			t.Errorf("%s: the run ended with pass %d, %v; want no pass, %v", c.name, out.Pass, err, c.want)
		}
		if there, err := Exists(j.Dir); there || err != nil {
			t.Errorf("%s: Exists = %v, %v; want no case", c.name, there, err)
		}
	}
}

// The one at the desk says before a pass what is done, and a case that is cracked gets
// no drive.
func TestReadyIsTheLastWord(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	f := devicetest.NewFake(256, discIn("disc", ""))
	d := newListening()
	d.ready = func(c *Case, r *Reading) error {
		r.Only = sector.Of(sector.Span(0, 64))
		_, err := c.OpenRound(mapfile.Round{Treatments: []mapfile.Treatment{{Typed: "clean", Word: Clean}}})
		return err
	}
	j := b.job("case", f)
	out, err := b.start(t, "drive", j, d).Wait()
	if err != nil || out.Map.Count(mapfile.Good) != 64 || len(out.Map.Rounds()) != 2 || out.Map.Passes()[0].Round != 1 {
		t.Errorf("the run ended %+v, %v; want 64 sectors, read in round 1", out.Ending, err)
	}
	var known Known
	open := j.Open
	j.Open = func(ctx context.Context, k Known) (device.Reader, error) { known = k; return open(ctx, k) }
	if _, err := b.start(t, "drive", j, newListening()).Wait(); err != nil {
		t.Error(err)
	}
	if want := (Known{Round: 1, Passes: 1}); known != want {
		t.Errorf("the drive was opened for %+v; want %+v", known, want)
	}
	if err := b.Change(j.Dir, func(c *Case) error { return c.Inspected(mapfile.Seen{Crack: "yes"}) }); err != nil {
		t.Fatal(err)
	}
	j.Open = func(context.Context, Known) (device.Reader, error) {
		t.Error("the drive of a cracked disc was opened")
		return nil, errors.New("never")
	}
	if _, err := b.start(t, "drive", j, newListening()).Wait(); !errors.Is(err, ErrCracked) {
		t.Errorf("the run of a cracked disc ended %v; want ErrCracked", err)
	}
}
