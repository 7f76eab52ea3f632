package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// tooLate is how long a test waits for what must come. It is no assertion: what
// has not come by then never will.
const tooLate = 2 * time.Minute

// running is the built program while it runs.
type running struct {
	t    testing.TB
	cmd  *exec.Cmd
	out  safeBuffer
	err  safeBuffer
	done chan struct{} // closed when it has ended and all it wrote is here
}

// result is what one run of the program came to.
type result struct {
	t        testing.TB
	args     []string
	code     int // -1 where a signal ended it
	out, err string
}

// start starts the program. Whatever becomes of the test, it ends with it.
func start(t testing.TB, args ...string) *running {
	t.Helper()
	return startAs(t, nil, args...)
}

// startAs starts the program as another user, where one is given.
func startAs(t testing.TB, user *syscall.Credential, args ...string) *running {
	t.Helper()
	r := &running{t: t, cmd: exec.Command(program(t), args...), done: make(chan struct{})}
	r.cmd.Dir = "/"
	r.cmd.Stdout, r.cmd.Stderr = &r.out, &r.err
	r.cmd.SysProcAttr = &syscall.SysProcAttr{Credential: user}
	if err := r.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		r.cmd.Wait() // the status stands in ProcessState
		close(r.done)
	}()
	t.Cleanup(func() {
		r.cmd.Process.Kill()
		<-r.done
	})
	return r
}

// turnstone runs the program to its end.
func turnstone(t testing.TB, args ...string) result {
	t.Helper()
	return start(t, args...).wait()
}

func (r *running) wait() result {
	r.t.Helper()
	select {
	case <-r.done:
	case <-time.After(tooLate):
		r.t.Fatalf("turnstone %v does not end; it said:\n%s%s", r.cmd.Args[1:], r.out.String(), r.err.String())
	}
	return result{r.t, r.cmd.Args[1:], r.cmd.ProcessState.ExitCode(), r.out.String(), r.err.String()}
}

func (r *running) signal(s syscall.Signal) {
	r.t.Helper()
	if err := r.cmd.Process.Signal(s); err != nil && !errors.Is(err, os.ErrProcessDone) {
		r.t.Fatal(err)
	}
}

// says waits until the program has said some words on standard error.
func (r *running) says(words string) {
	r.t.Helper()
	if !r.err.await(words, r.done) {
		r.t.Fatalf("turnstone %v did not say %q; it said:\n%s", r.cmd.Args[1:], words, r.err.String())
	}
}

// kill ends the program by SIGKILL and waits for its children that can end; it
// tells whether the program still ran.
func (r *running) kill() bool {
	r.t.Helper()
	// Stopped, it makes no more children than are seen here.
	r.signal(syscall.SIGSTOP)
	readers := readersOf(r.t, r.cmd.Process.Pid)
	r.signal(syscall.SIGKILL)
	<-r.done
	for _, c := range readers {
		c.mustEnd()
	}
	return !r.cmd.ProcessState.Exited()
}

// progress is a line that tells of it, of which a long run has hundreds.
var progress = regexp.MustCompile(`(?m)^\{[^\n]*"kind":"progress".*\n`)

// is checks exit code and words, which may stand in either stream.
func (r result) is(code int, words ...string) result {
	r.t.Helper()
	if r.code != code {
		r.t.Errorf("turnstone %v = %d; want %d; it said (progress left out):\n%s%s", r.args, r.code, code, r.out, progress.ReplaceAllString(r.err, ""))
		return r
	}
	for _, w := range words {
		if !strings.Contains(r.out+r.err, w) {
			r.t.Errorf("turnstone %v said:\n%s%s\nwant in it: %q", r.args, r.out, r.err, w)
		}
	}
	return r
}

// status is the JSON document on standard output.
func (r result) status() (s imager.Status) {
	r.t.Helper()
	if err := json.Unmarshal([]byte(r.out), &s); err != nil {
		r.t.Fatalf("turnstone %v: %v in:\n%s", r.args, err, r.out)
	}
	return s
}

// events are the JSON lines on standard error; lines before the first of them are
// words for people.
func (r result) events(kind string) []mapfile.Event {
	r.t.Helper()
	var all []mapfile.Event
	for line := range strings.Lines(r.err) {
		var e mapfile.Event
		if !strings.HasPrefix(line, "{") {
			continue
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			r.t.Fatalf("turnstone %v: %v in the line %q", r.args, err, line)
		}
		if e.Kind == kind {
			all = append(all, e)
		}
	}
	return all
}

// statusOf is the document of status --json.
func statusOf(t testing.TB, dir string) imager.Status {
	t.Helper()
	return turnstone(t, "status", dir, "--json").is(exitDone).status()
}

// listed is what status --list prints.
func listed(t testing.TB, dir, what string) sector.Set {
	t.Helper()
	return rangesIn(t, turnstone(t, "status", dir, "--list", what).is(exitDone).out)
}

// rangesIn reads a range a line.
func rangesIn(t testing.TB, lines string) (s sector.Set) {
	t.Helper()
	for _, word := range strings.Fields(lines) {
		r, err := sector.ParseRange(word)
		if err != nil {
			t.Fatal(err)
		}
		s.Add(r)
	}
	return s
}

// safeBuffer is a buffer that one goroutine fills while others look at it.
type safeBuffer struct {
	mu    sync.Mutex
	b     bytes.Buffer
	grown chan struct{} // closed at the next write; nil while nobody waits
}

func (b *safeBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.grown != nil {
		close(b.grown)
		b.grown = nil
	}
	return b.b.Write(p)
}

func (b *safeBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// await waits until words are in the buffer; false where they are not when over
// is closed, or too late.
func (b *safeBuffer) await(words string, over <-chan struct{}) bool {
	return b.awaitThat(func(s string) bool { return strings.Contains(s, words) }, over)
}

func (b *safeBuffer) awaitThat(ok func(s string) bool, over <-chan struct{}) bool {
	late := time.After(tooLate)
	for {
		b.mu.Lock()
		s := b.b.String()
		if b.grown == nil {
			b.grown = make(chan struct{})
		}
		grown := b.grown
		b.mu.Unlock()
		if ok(s) {
			return true
		}
		select {
		case <-grown:
		case <-over:
			return ok(b.String())
		case <-late:
			return false
		}
	}
}

// reader is a child that reads a drive for the program.
type reader struct {
	t  testing.TB
	fd int // a pidfd: good also when the process is no more
}

// readersOf finds the children of a process.
func readersOf(t testing.TB, parent int) []reader {
	t.Helper()
	var found []reader
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range stats {
		stat, err := os.ReadFile(path) // pid (name) state parent …, proc_pid_stat(5)
		if err != nil {
			continue // it has ended meanwhile
		}
		_, rest, _ := strings.Cut(string(stat), ") ")
		f := strings.Fields(rest)
		if len(f) < 2 || f[1] != strconv.Itoa(parent) {
			continue
		}
		pid, err := strconv.Atoi(filepath.Base(filepath.Dir(path)))
		if err != nil {
			t.Fatal(err)
		}
		fd, err := unix.PidfdOpen(pid, 0)
		if err == unix.ESRCH {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { unix.Close(fd) })
		found = append(found, reader{t, fd})
	}
	return found
}

// ended tells whether the process ends within some time.
func (r reader) ended(within time.Duration) bool {
	r.t.Helper()
	for {
		n, err := unix.Poll([]unix.PollFd{{Fd: int32(r.fd), Events: unix.POLLIN}}, int(within/time.Millisecond))
		if err != unix.EINTR {
			return n == 1 // a pidfd can be read from once the process has ended
		}
	}
}

func (r reader) mustEnd() {
	r.t.Helper()
	if !r.ended(tooLate) {
		r.t.Error("a child that reads the drive does not end")
	}
}
