package main

import (
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

// shortStall is how long drives that hang are waited for in these tests: longer than
// any read takes that does not hang, on a machine that is busy with much else.
const shortStall = "6s"

// Over an interrupted pass, a killed one, a drive that goes away, another drive
// and --again, no good sector is asked for twice, by the disc's own log.
func TestNoGoodSectorIsReadTwice(t *testing.T) {
	t.Parallel()
	const n = 40_000
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 1})
	scratch := sector.Span(11_003, 20)
	w.disc.Fail(scratch, syscall.ENODATA, 12)
	w.disc.Fail(sector.Span(31_000, 3), syscall.EIO, faultydisc.Always)

	w.read("--only", "0-12999").is(exitMissing)
	w.truthful()

	w.disc.Hang(sector.Span(20_000, 1))
	r := w.start("--stall", "1h")
	w.disc.Await(1)
	r.signal(syscall.SIGINT)
	stopped := r.wait().is(exitMissing)
	w.judge(stopped)
	w.disc.Release()
	w.truthful()
	w.ended("interrupted")

	w.disc.Hang(sector.Span(35_000, 1))
	r = w.start("--stall", "1h")
	w.disc.Await(1)
	w.disc.Release() // so that the child can end
	if !r.kill() {
		t.Log("the pass ended before it was killed")
	}
	w.judge(r.wait())
	w.truthful()

	w.disc.Hang(sector.Span(25_000, 1))
	r = w.start("--stall", "1h")
	w.disc.Await(1)
	w.disc.Gone()
	gone := r.wait().is(exitDrive)
	w.judge(gone)
	w.disc.Heal()
	w.truthful()

	w.disc.Fail(sector.Span(31_000, 3), syscall.EIO, faultydisc.Always)
	w.read().is(exitMissing)
	w.truthful()
	missing := listed(t, w.dir, "missing")
	if hurt := sector.Of(scratch, sector.Span(31_000, 3)); missing.Empty() || !covers(hurt, missing) {
		t.Errorf("missing after a whole pass: %v; want some of %v", missing, hurt)
	}

	again := w.read("--again").is(exitMissing)
	if got := again.status(); got.Bad != 3 {
		t.Errorf("bad after --again = %d; want the 3 that always fail", got.Bad)
	}
	w.disc.Heal()

	if w.seen != 1 {
		t.Errorf("identity reads while the disc stayed in the drive = %d; want 1, of the pass that ended with EIO", w.seen)
	}

	// Another drive, and nothing tells that its disc is the same: one good block.
	w.insert(faultydisc.New(t, faultydisc.Options{Sectors: n, Seed: 1}))
	w.read().is(exitDone)
	if w.seen != 2 {
		t.Errorf("identity reads after a new drive = %d; want 1 more", w.seen)
	}
	w.truthful()
	w.whole()

	w.read("--again").is(exitDone)
	if w.seen != 2 {
		t.Error("an identity read though nothing was left to ask for")
	}
}

// covers tells whether a holds all of b.
func covers(a, b sector.Set) bool {
	rest := b.Subtract(&a)
	return rest.Empty()
}

// EIO at the end of a pass is believed after one good block came again; that is
// said, and it is the only read of a good sector.
func TestDoubtIsSettledByOneIdentityRead(t *testing.T) {
	t.Parallel()
	const n = 2048
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 2})
	bad := sector.Span(n-16, 16)
	w.disc.Fail(bad, syscall.EIO, faultydisc.Always)
	w.read().is(exitMissing)
	if w.seen != 1 {
		t.Errorf("identity reads = %d; want 1", w.seen)
	}
	w.lists("bad", bad)
	w.truthful()
}

func TestDriveGoneInTheMiddle(t *testing.T) {
	t.Parallel()
	const n = 4096
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 3})
	w.disc.Hang(sector.Span(2000, 1))
	r := w.start()
	w.disc.Await(1)
	w.disc.Gone()
	end := r.wait().is(exitDrive)
	w.judge(end)
	w.ended("gone")
	w.lists("bad")
	if good := end.status().Good; good != 2000 { // blocks of 16
		t.Errorf("good = %d; want what came before, 2000", good)
	}
	w.truthful()

	// While it is away nothing is lost either. The words are for people.
	turnstone(t, "read", w.dir, "--drive", w.disc.Device).is(exitDrive, "The case is intact.", "go on: turnstone read "+w.dir)
	w.disc.Reset()
	w.truthful()

	w.disc.Heal()
	w.read().is(exitDone)
	w.whole()
}

// A disc of which nothing can be read is all bad where the drive says that it is
// the disc's doing.
func TestAllReadsFailOnTheDisc(t *testing.T) {
	t.Parallel()
	const n = 1024
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 4})
	w.disc.Fail(sector.Span(0, n), syscall.ENODATA, faultydisc.Always)
	w.read().is(exitMissing)
	w.lists("bad", sector.Span(0, n))
	w.ended("complete")
	w.truthful()
	w.disc.Heal()
	w.read("--again").is(exitDone)
	w.whole()
}

// A drive that answers EIO to everything may be on its way out: nothing is marked.
func TestAllReadsFailInDoubt(t *testing.T) {
	t.Parallel()
	for _, n := range []int64{100, 16 << 10} { // less and more than what ends a pass
		t.Run(strconv.FormatInt(n, 10), func(t *testing.T) {
			t.Parallel()
			w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 5})
			w.disc.Fail(sector.Span(0, n), syscall.EIO, faultydisc.Always)
			w.read().is(exitDrive)
			w.lists("untried", sector.Span(0, n))
			w.ended("gone")
			w.truthful()
			w.disc.Heal()
			w.read().is(exitDone)
			w.whole()
		})
	}
}

// The server of the drive ends in the middle: EIO for everything from then on. What
// came is kept, and nothing behind it is marked.
func TestEverythingFailsFromTheMiddleOn(t *testing.T) {
	t.Parallel()
	const n = 64 << 10
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 6})
	w.disc.Hang(sector.Span(30_000, 1))
	r := w.start()
	w.disc.Await(1)
	w.disc.Abort()
	r.wait().is(exitDrive)
	w.lists("bad")
	if good := listed(t, w.dir, "good"); good.Count() != 29_952 {
		t.Errorf("good = %v; want what came before, 29952 sectors", good)
	}
	turnstone(t, "check", "--deep", w.dir).is(exitDone)
}

func TestStallAtTheFirstRead(t *testing.T) {
	t.Parallel()
	const n = 1024
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 7})
	w.disc.Hang(sector.Span(0, n))
	turnstone(t, "read", w.dir, "--drive", w.node, "--stall", shortStall).
		is(exitDrive, "The case is intact.", "switch it off and on", "Go on: turnstone read "+w.dir)
	w.ended("stalled")
	if st := statusOf(t, w.dir); st.Good != 0 {
		t.Errorf("good = %d; want 0", st.Good)
	}
	w.truthful()

	w.disc.Heal()
	w.disc.Reset()
	w.read("--again").is(exitDone)
	w.whole()
}

// One stall costs its block; the reading goes on elsewhere, and what was asked for
// together with the sector that hangs is asked for again.
func TestOneStallAndOn(t *testing.T) {
	t.Parallel()
	const n = 32 << 10 // large enough for requests of several blocks
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 8})
	w.disc.Hang(sector.Span(500, 1))
	end := w.read("--stall", shortStall).is(exitMissing)
	w.lists("bad", sector.Span(496, 16))
	if got := len(end.events("stall")); got != 2 {
		t.Errorf("stalls told = %d; want 2: of the request, and of the block alone", got)
	}
	w.ended("complete")
	w.truthful()
	w.disc.Heal()
	w.disc.Reset() // of what the orphans asked
	w.read("--again").is(exitDone)
	w.whole()
}

// A stall that passes costs nothing.
func TestStallThatPasses(t *testing.T) {
	t.Parallel()
	const n = 32 << 10 // large enough for requests of several blocks
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 9})
	w.disc.Delay(sector.Span(500, 1), time.Hour, 1)
	w.read("--stall", shortStall).is(exitDone)
	w.truthful()
	w.whole()
	w.disc.Release()
}

func TestSIGTERM(t *testing.T) {
	t.Parallel()
	const n = 2048
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 10})
	w.disc.Hang(sector.Span(1000, 1))
	r := start(t, "read", w.dir, "--drive", w.disc.Device)
	w.disc.Await(1)
	r.signal(syscall.SIGTERM)
	r.wait().is(exitMissing, "Go on: turnstone read "+w.dir+" --drive "+w.disc.Device)
	w.ended("interrupted")
	w.lists("bad")
	w.truthful()
	w.disc.Release()
	w.disc.Reset()
	w.good = listed(t, w.dir, "good")
	w.read().is(exitDone)
	w.whole()
}

// The program is killed while its child hangs in a read: the child ends when the
// read does, and until then it keeps nobody from case or drive.
func TestKilledWhileTheChildHangs(t *testing.T) {
	t.Parallel()
	const n = 2048
	w := newWitness(t, faultydisc.Options{Sectors: n, Seed: 11})
	w.disc.Hang(sector.Span(1000, 1))
	r := w.start("--stall", "1h")
	w.disc.Await(1)
	orphans := readersOf(t, r.cmd.Process.Pid)
	if len(orphans) != 1 {
		t.Fatalf("children = %d; want 1", len(orphans))
	}
	r.signal(syscall.SIGKILL)
	<-r.done
	if orphans[0].ended(0) {
		t.Fatal("the child has ended; the test shows nothing")
	}
	w.judge(r.wait())
	w.ended("")

	w.read("--only", "1024-2047").is(exitMissing)
	w.truthful()
	// Of the first pass is what was looked for before all else, where directories may be.
	if st := statusOf(t, w.dir); st.Rounds[0].Passes[0].Ended != "killed" || st.Good != 1024+st.Rounds[0].Passes[0].Won || st.Good > 1024+64 {
		t.Errorf("status = %+v; want the first pass killed, and 1024 good beside a few of its own", st)
	}
	if orphans[0].ended(0) {
		t.Error("the child has ended before its read did; the test shows nothing")
	}
	w.disc.Release()
	orphans[0].mustEnd()
	w.disc.Reset()
	w.read().is(exitDone)
	w.truthful()
	w.whole()
}

// A case that another process writes into is refused by its process id, also while
// that process hangs; who only reads is let in.
func TestCaseInUse(t *testing.T) {
	t.Parallel()
	w := newWitness(t, faultydisc.Options{Sectors: 1024, Seed: 12})
	w.disc.Hang(sector.Span(512, 1))
	r := w.start("--stall", "1h")
	w.disc.Await(1)
	pid := strconv.Itoa(r.cmd.Process.Pid)
	turnstone(t, "read", w.dir, "--drive", w.disc.Device).is(exitFailed, "in use by process "+pid, "turnstone read")
	turnstone(t, "check", "--deep", w.dir).is(exitFailed, "in use by process "+pid)
	turnstone(t, "check", w.dir).is(exitDone)
	turnstone(t, "status", w.dir).is(exitDone, "runs now")
	turnstone(t, "status", w.dir, "--list", "untried").is(exitDone)
	w.disc.Release()
	r.wait().is(exitDone)
	w.whole()
}

// Another disc is refused before anything is written: by its size, and where only
// its bytes differ, by one good block.
func TestAnotherDiscIsRefused(t *testing.T) {
	t.Parallel()
	w := newWitness(t, faultydisc.Options{Sectors: 2048, Seed: 13})
	w.read("--only", "0-1023").is(exitMissing)
	image := filepath.Join(w.dir, "image.iso")
	before := sumOf(t, image)
	for _, other := range []struct {
		o     faultydisc.Options
		words []string
	}{
		{faultydisc.Options{Sectors: 1024, Seed: 13}, []string{"a disc of 2048 sectors", "a disc of 1024 sectors"}},
		{faultydisc.Options{Sectors: 2048, Seed: 14}, []string{"another disc", "differ"}},
		{faultydisc.Options{Sectors: 4096, Seed: 14}, []string{"a disc of 2048 sectors", "a disc of 4096 sectors", "differ"}},
	} {
		disc := faultydisc.New(t, other.o)
		disc.Reset()
		turnstone(t, "read", w.dir, "--drive", disc.Device).
			is(exitDrive, append(other.words, "One disc, one case", "Nothing was written")...)
		if n := len(disc.Requests()); n > 1 {
			t.Errorf("%+v was asked %d times; want at most the identity read", other.o, n)
		}
		if sumOf(t, image) != before {
			t.Errorf("%+v changed the image", other.o)
		}
		if st := statusOf(t, w.dir); st.Disc.Sectors != 2048 || st.Good != 1024 {
			t.Errorf("after %+v the case holds %+v", other.o, st)
		}
	}
	w.read().is(exitDone)
	w.whole()
}
