package child

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/sector"
)

// word is the first argument of a child, the opener's name the second.
const word = "serve-drive"

// The child's descriptors beside the standard streams.
const (
	requestsFD = 3
	answersFD  = 4
	memoryFD   = 5
)

// mainWasCalled tells that this program knows itself as a child when it is
// started as one. Without that a start would run the whole program once more,
// which would start another.
var mainWasCalled atomic.Bool

// Main has to be called first thing in main, and in the TestMain of tests that
// start children, with a table of the openers. It returns at once, but in a
// process that Start made: there it is the main of the child, which serves the
// drive until the parent ends, and exits.
func Main(openers map[string]Opener) {
	mainWasCalled.Store(true)
	if len(os.Args) != 3 || os.Args[1] != word || !pipe(requestsFD) || !pipe(answersFD) {
		return
	}
	closeOthers()
	if err := serve(openers[os.Args[2]]); err != nil {
		fmt.Fprintln(os.Stderr, err) // the parent keeps it
		exit(1)
	}
	exit(0)
}

// exit ends the child without what os.Exit does first in instrumented programs:
// under the race detector that takes a second.
func exit(code int) { unix.Exit(code) }

// pipe tells whether fd is one end of a pipe: whoever types the word at a shell
// is no parent.
func pipe(fd int) bool {
	var s unix.Stat_t
	return unix.Fstat(fd, &s) == nil && s.Mode&unix.S_IFMT == unix.S_IFIFO
}

// closeOthers closes the descriptors that the parent itself was handed without
// close-on-exec, by a shell or a service manager: whatever they lock or hold up
// would hang with the child. Those of the Go runtime are anonymous inodes.
func closeOthers() {
	for fd := requestsFD; fd <= memoryFD; fd++ {
		unix.CloseOnExec(fd)
	}
	entries, _ := os.ReadDir("/proc/self/fd")
	for _, e := range entries {
		fd, err := strconv.Atoi(e.Name())
		target, gone := os.Readlink("/proc/self/fd/" + e.Name())
		if err == nil && gone == nil && fd > memoryFD && !strings.HasPrefix(target, "anon_inode:") {
			unix.Close(fd)
		}
	}
}

// parting is how long a child whose parent has gone may take to end in peace.
const parting = 300 * time.Millisecond

// serve is the child's life: one open, then reads and calls until the requests
// end.
func serve(open Opener) error {
	if open == nil {
		open = func([]byte) (Backend, device.Info, error) {
			return nil, device.Info{}, fmt.Errorf("child: no opener %q in this program", os.Args[2])
		}
	}
	// With one P the scheduler takes it from a goroutine in a system call after 20 µs, and
	// starts a thread to look for work, at each command; with an idle one it waits 10 ms
	// (Go 1.26, runtime/proc.go, retake and handoffp).
	runtime.GOMAXPROCS(max(2, runtime.GOMAXPROCS(0)))
	var over atomic.Bool
	go func() {
		awaitParting(requestsFD)
		over.Store(true)
		time.Sleep(parting)
		exit(0)
	}()
	in := bufio.NewReader(os.NewFile(requestsFD, "requests"))
	s := server{out: os.NewFile(answersFD, "answers"), clock: newClock()}
	for {
		q, err := readRequest(in)
		if err == io.EOF || over.Load() {
			break // nobody waits for what is still in the pipe
		}
		if err != nil {
			return err
		}
		a := answer{op: q.op, slot: q.slot, at: -1}
		switch {
		case q.op == opOpen && s.backend == nil:
			s.open(open, q, &a)
		case q.op == opRead && s.backend != nil:
			if err := s.read(q, &a); err != nil {
				return err
			}
		case q.op == opCall && s.backend != nil:
			s.call(q, &a)
		default:
			return fmt.Errorf("child: request %d out of turn", q.op)
		}
		if len(a.payload) > maxPayload {
			a.payload = a.payload[:maxPayload]
		}
		if _, err := s.out.Write(a.append(nil)); err != nil {
			break // the parent has gone, or has given this child up
		}
	}
	if s.backend != nil {
		return s.backend.Close()
	}
	return nil
}

// breath keeps Go's scheduler out of the way of a goroutine that makes system
// calls only. One that was not scheduled anew for 10 ms is taken for one that runs
// too long: the scheduler's monitor then wakes up every 20 µs, and takes the
// processor away from it in every call, for a thread that has nothing to do (Go
// 1.26, runtime/proc.go, retake). Being scheduled anew in time, a child costs a
// sixth less processor time at a request of 256 KiB from memory.
type breath struct{ last time.Time }

func (b *breath) take() {
	if now := time.Now(); now.Sub(b.last) > 4*time.Millisecond {
		runtime.Gosched()
		b.last = now
	}
}

// awaitParting returns when the other end of a pipe that is read from has been
// closed, though nobody reads: the drive may hang then. It leaves what is in the
// pipe alone.
func awaitParting(fd int32) {
	for {
		// No event is asked for; a hang-up is always told (poll(2)).
		p := []unix.PollFd{{Fd: fd}}
		if _, err := unix.Poll(p, -1); err != unix.EINTR {
			return
		}
	}
}

// server is what the child holds.
type server struct {
	out     io.Writer
	backend Backend
	geometry
	mapping []byte
	reads   uint64 // requests to read, so far
	breath  breath
	clock   clock
}

func (s *server) open(open Opener, q request, a *answer) {
	b, info, err := open(q.payload)
	if err == nil {
		s.geometry, err = divide(info)
	}
	if err == nil {
		// The parent gives the memory its size when it has read the answer.
		s.mapping, err = unix.Mmap(memoryFD, 0, s.size(), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	}
	if err != nil {
		if b != nil {
			b.Close()
		}
		e, ok := errors.AsType[*device.OpenError](err)
		if !ok {
			e = &device.OpenError{What: err.Error()}
		}
		a.flags, a.errno = flagFailed, errnoOf(err)
		a.payload = encode(openFailure{e.Node, e.What, e.Cure, e.NoDisc})
		return
	}
	s.backend = b
	a.payload = encode(info)
}

// encode is v as JSON; the types of ours that it is for can't fail to be.
func encode(v any) []byte {
	b, _ := json.Marshal(v)
	return b
}

func (s *server) read(q request, a *answer) error {
	buf, err := s.slot(s.mapping, q.slot, q.sectors.Bytes())
	if err != nil {
		return err
	}
	s.reads++
	t, enough := s.trail(s.mapping, q.slot), &words(s.mapping)[0]
	t.start(s.reads)
	began := time.Now()
	inParts(s.backend, q.sectors, buf, func(part sector.Range) bool {
		if t.full() || enough.Load() >= s.reads {
			return false
		}
		s.breath.take()
		t.begin(int64(part.First-q.sectors.First), int64(part.End-q.sectors.First), s.clock.now())
		return true
	}, func(part sector.Range, o Outcome) {
		a.good += o.Good
		t.end(a.good, o.Weak, s.clock.now())
		if e := o.Err; e != nil {
			a.flags |= flagFailed
			a.class, a.sense, a.at, a.errno, a.payload = e.Class, e.Sense, e.At, errnoOf(e.Err), []byte(e.Text)
		}
	})
	a.took = time.Since(began)
	return nil
}

func (s *server) call(q request, a *answer) {
	op, arg, _ := bytes.Cut(q.payload, []byte{0})
	began := time.Now()
	result, err := s.backend.Call(string(op), arg)
	a.took = time.Since(began)
	a.payload = result
	if err != nil {
		a.flags, a.errno, a.payload = flagFailed, errnoOf(err), []byte(err.Error())
		if errors.Is(err, device.ErrUnsupported) {
			a.flags |= flagUnsupported
		}
	}
}

// errnoOf is the errno in err's chain; 0 where there is none.
func errnoOf(err error) uint32 {
	if errno, ok := errors.AsType[syscall.Errno](err); ok {
		return uint32(errno)
	}
	return 0
}
