package mapfile

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"turnstone/device/sector"
)

// TestMain lets the test binary be the process that another test kills or
// starves: it then does what helper names, in the folder named, and nothing
// else.
func TestMain(m *testing.M) {
	if helper, ok := helpers[os.Getenv("MAPFILE_TEST_HELPER")]; ok {
		if err := helper(os.Getenv("MAPFILE_TEST_FOLDER")); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

var helpers = map[string]func(dir string) error{
	"commit": commitWithoutEnd, "full": commitOnFullDisk, "memory": fillMemory,
}

// helperCommand is this binary as the helper of that name.
func helperCommand(t *testing.T, name, dir string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "MAPFILE_TEST_HELPER="+name, "MAPFILE_TEST_FOLDER="+dir)
	cmd.Stderr = os.Stderr
	return cmd
}

func TestCreate(t *testing.T) {
	m := newCase(t, 1000)
	mustRecord(t, m, 0, sector.Span(3, 100), Delivered)
	m.AddEvent(Event{Time: day, Kind: "reopen"})
	dir := t.TempDir()
	path := filepath.Join(dir, "map.db")
	if err := os.WriteFile(path+".new", []byte("left over"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := Create(path, m); err != nil {
		t.Fatalf("Create = %v; want nil", err)
	}
	wantSound(t, path)
	wantSame(t, "created", content(mustOpen(t, path)), content(m))
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 1 {
		t.Errorf("Create left %v, %v; want the map only", entries, err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v; want 0600", info.Mode(), err)
	}
	before := mustRead(t, path)
	if err := Create(path, m); !errors.Is(err, fs.ErrExist) {
		t.Errorf("second Create = %v; want %v", err, fs.ErrExist)
	}
	if err := m.Commit(path); err != nil {
		t.Errorf("Commit of nothing = %v; want nil", err)
	}
	if string(before) != string(mustRead(t, path)) {
		t.Errorf("Create or Commit of nothing changed the file")
	}
	// A copy elsewhere holds all but the events, and is the map's file from
	// then on.
	second := filepath.Join(dir, "second.db")
	if err := Create(second, m); err != nil {
		t.Fatalf("Create elsewhere = %v; want nil", err)
	}
	wantSame(t, "second", content(mustOpen(t, second)), content(m))
	m.AddRound(Round{})
	mustCommit(t, m, second)
	wantSound(t, second)
	if err := Create(filepath.Join(dir, "none", "map.db"), m); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Create in no folder = %v; want %v", err, fs.ErrNotExist)
	}
}

// lock holds a shared or exclusive lock on the file until the test ends, or
// until it is called.
func lock(t *testing.T, path string, how int) (unlock func()) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Flock(int(f.Fd()), how); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return func() { f.Close() }
}

// TestBusy has a reader hold the file: the commit is put off, and goes with the
// next.
func TestBusy(t *testing.T) {
	m := newCase(t, 1000)
	path := mustCreate(t, m)
	m.patience = time.Millisecond
	want := content(mustOpen(t, path))

	unlock := lock(t, path, syscall.LOCK_SH)
	mustRecord(t, m, 0, sector.Span(0, 500), Delivered)
	m.AddEvent(Event{Time: day, Kind: "stall"})
	if err := m.Commit(path); !errors.Is(err, ErrBusy) {
		t.Fatalf("Commit beside a reader = %v; want ErrBusy", err)
	}
	wantSame(t, "read beside a reader", content(mustOpen(t, path)), want)
	mustRecord(t, m, 0, sector.Span(500, 1), Failed)
	if err := m.Commit(path); !errors.Is(err, ErrBusy) {
		t.Fatalf("second Commit beside a reader = %v; want ErrBusy", err)
	}
	unlock()
	mustCommit(t, m, path)
	wantSame(t, "after the reader", content(mustOpen(t, path)), content(m))
	if got := events(t, path); len(got) != 1 || got[0].Kind != "stall" {
		t.Errorf("events %v; want one stall", got)
	}
}

// TestBusyOpen has a writer hold the file.
func TestBusyOpen(t *testing.T) {
	path := mustCreate(t, newCase(t, 1000))
	unlock := lock(t, path, syscall.LOCK_EX)
	defer unlock()
	err := inspect(path, time.Millisecond, func([]byte) error { return nil })
	if !errors.Is(err, ErrBusy) {
		t.Errorf("inspect beside a writer = %v; want ErrBusy", err)
	}
}

// TestVersions reads files of other versions.
func TestVersions(t *testing.T) {
	for _, test := range []struct {
		major, minor int
		open, commit error
	}{{major, minor, nil, nil}, {major, minor + 1, nil, ErrNewer}, {major + 1, 0, ErrNewer, nil}} {
		m := newCase(t, 1000)
		path := filepath.Join(t.TempDir(), "map.db")
		h := head{Major: test.major, Minor: test.minor}
		_, err := m.write(path, os.O_RDWR|os.O_CREATE, everything(m), func(tx *bbolt.Tx) error {
			if test.minor == minor {
				return nil
			}
			_, err := tx.CreateBucket([]byte("later"))
			return err
		}, &h)
		if err != nil {
			t.Fatal(err)
		}
		before := mustRead(t, path)
		got, err := Open(path)
		if !errors.Is(err, test.open) {
			t.Errorf("Open of form %d.%d = %v; want %v", test.major, test.minor, err, test.open)
		}
		if err != nil {
			if _, err := Check(path); !errors.Is(err, test.open) {
				t.Errorf("Check of form %d.%d = %v; want %v", test.major, test.minor, err, test.open)
			}
			continue
		}
		wantSound(t, path)
		got.AddRound(Round{Opened: day})
		if err := got.Commit(path); !errors.Is(err, test.commit) {
			t.Errorf("Commit to form %d.%d = %v; want %v", test.major, test.minor, err, test.commit)
		}
		if after := mustRead(t, path); test.commit != nil && string(after) != string(before) {
			t.Errorf("Commit to form %d.%d changed the file", test.major, test.minor)
		}
	}
}

// TestReadersDoNotWait proves that a map which was opened holds no lock.
func TestReadersDoNotWait(t *testing.T) {
	m := newCase(t, 1000)
	path := mustCreate(t, m)
	m.patience = time.Millisecond
	reader := mustOpen(t, path)
	mustRecord(t, m, 0, sector.Span(0, 500), Delivered)
	mustCommit(t, m, path)
	if reader.Count(Good) != 0 || m.Count(Good) != 500 {
		t.Errorf("%d good in the reader, %d in the writer; want 0, 500", reader.Count(Good), m.Count(Good))
	}
}

// TestTwoWriters has two maps of one file: the second does not overwrite what
// the first did.
func TestTwoWriters(t *testing.T) {
	path := mustCreate(t, newCase(t, 1000))
	a, b := mustOpen(t, path), mustOpen(t, path)
	mustRecord(t, a, 0, sector.Span(0, 10), Delivered)
	mustCommit(t, a, path)
	mustRecord(t, b, 0, sector.Span(0, 20), Delivered)
	for range 2 {
		if err := b.Commit(path); !errors.Is(err, ErrChanged) {
			t.Errorf("Commit of the second map = %v; want ErrChanged", err)
		}
	}
	wantSame(t, "the first's", content(mustOpen(t, path)), content(a))
}

// step changes the map in a way that follows from n alone.
func step(m *Map, n int) error {
	rng := rand.New(rand.NewPCG(uint64(n), 9))
	for range 20 {
		r := randomRun(rng, m.Disc().Sectors, 1)
		var sums []uint32
		if r.Result.Came() {
			sums = sumsOf(r.Range, 0)
		}
		if _, err := m.Record(0, r, sums); err != nil {
			return err
		}
	}
	m.AddEvent(Event{Time: day, Kind: "reopen", Count: n})
	return nil
}

// commitWithoutEnd opens the map in dir and commits until it is killed, saying
// before each commit which it is.
func commitWithoutEnd(dir string) error {
	path := filepath.Join(dir, "map.db")
	m, err := Open(path)
	if err != nil {
		return err
	}
	for n := int(m.file.head.Commits); ; n++ {
		if err := step(m, n); err != nil {
			return err
		}
		fmt.Println(n)
		if err := m.Commit(path); err != nil {
			return err
		}
	}
}

// TestKilled kills a process in the middle of its commits: the file is always
// as after the last commit that was finished, or the one that was begun.
func TestKilled(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "map.db")
	model := newCase(t, 20_000) // what the file holds, if every commit is whole
	if err := Create(path, model); err != nil {
		t.Fatal(err)
	}
	done, began := 1, 0 // commits
	rng := rand.New(rand.NewPCG(1, 2))
	for range 10 {
		cmd := helperCommand(t, "commit", dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines, killer := bufio.NewScanner(out), (*time.Timer)(nil)
		for last := 1 + rng.IntN(4); lines.Scan(); last-- {
			if _, err := fmt.Sscan(lines.Text(), &began); err != nil {
				t.Fatalf("the helper says %q", lines.Text())
			}
			if last == 0 { // somewhere within this commit, or one or two later
				killer = time.AfterFunc(time.Duration(rng.IntN(8000))*time.Microsecond, func() { cmd.Process.Kill() })
			}
		}
		if err := cmd.Wait(); killer == nil || err == nil {
			t.Fatalf("the helper ended by itself: %v", err)
		}
		killer.Stop()
		wantSound(t, path)
		got := mustOpen(t, path)
		if n := int(got.file.head.Commits); n != began && n != began+1 || n < done {
			t.Fatalf("killed in commit %d: the file holds %d commits", began, n)
		}
		for ; done < int(got.file.head.Commits); done++ {
			if err := step(model, done); err != nil {
				t.Fatal(err)
			}
		}
		wantSame(t, "after the kill", content(got), content(model))
		if got := events(t, path); len(got) != done-1 {
			t.Fatalf("%d events after %d commits; want %d", len(got), done, done-1)
		}
	}
	t.Logf("10 kills in %d commits", done)
}

func events(t *testing.T, path string) (all []Event) {
	t.Helper()
	if err := Events(path, func(e Event) bool { all = append(all, e); return true }); err != nil {
		t.Fatalf("Events: %v", err)
	}
	return all
}

// commitOnFullDisk commits while files may not grow, first by what little is
// left, later in earnest, and again when they may.
func commitOnFullDisk(dir string) error {
	path := filepath.Join(dir, "map.db")
	m, err := Open(path)
	if err != nil {
		return err
	}
	want := content(m)
	signal.Ignore(syscall.SIGXFSZ)
	var limit syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		return err
	}
	lowered := limit
	lowered.Cur = 64 << 10
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &lowered); err != nil {
		return err
	}
	r := sector.Span(0, 100_000)
	if _, err := m.Record(0, Run{Range: r, Result: Delivered}, sumsOf(r, 0)); err != nil {
		return err
	}
	for range 2 {
		if err := m.Commit(path); err == nil || errors.Is(err, ErrDamaged) {
			return fmt.Errorf("commit on a full disk: %v", err)
		}
		on, err := Open(path)
		if err != nil {
			return fmt.Errorf("open after it: %w", err)
		}
		if content(on) != want {
			return errors.New("a commit that failed changed the map")
		}
	}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		return err
	}
	if err := m.Commit(path); err != nil {
		return fmt.Errorf("commit when there is space again: %w", err)
	}
	on, err := Open(path)
	if err != nil {
		return err
	}
	if content(on) != content(m) {
		return errors.New("the commit is not whole")
	}
	return nil
}

// TestFullDisk has no more space for the file for a while.
func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "map.db")
	if err := Create(path, newCase(t, 200_000)); err != nil {
		t.Fatal(err)
	}
	if out, err := helperCommand(t, "full", dir).Output(); err != nil {
		t.Fatalf("%v: %s", err, strings.TrimSpace(string(out)))
	}
	wantSound(t, path)
}
