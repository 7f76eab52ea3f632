package child

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// process is one child as its parent holds it.
type process struct {
	cmd      *exec.Cmd
	requests *os.File
	replies  *os.File
	memory   *os.File
	words    *os.File      // the child's standard error
	ended    chan struct{} // closed when the child's process is no more

	in      *bufio.Reader // of the replies
	patient bool          // the replies' reads go on through interrupts

	geometry
	mapping []byte // to be read
	head    []byte // its front, to be written to as well
}

// launch starts a child. Its opener has to be asked for yet.
func launch(opener string) (*process, error) {
	if !mainWasCalled.Load() {
		return nil, errors.New("child: the program does not call child.Main")
	}
	p := &process{ended: make(chan struct{})}
	var theirs []*os.File
	made := false
	defer func() {
		for _, f := range theirs {
			f.Close()
		}
		if !made {
			p.closeFiles()
		}
	}()
	requests, w, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	p.requests, theirs = w, append(theirs, requests)
	r, replies, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	p.replies, theirs = r, append(theirs, replies)
	p.in = bufio.NewReader(readerFunc(p.read))
	if p.memory, err = memfd("sectors"); err != nil {
		return nil, err
	}
	if p.words, err = memfd("words"); err != nil {
		return nil, err
	}
	p.cmd = &exec.Cmd{
		// The running program, even where its file was replaced meanwhile.
		Path:        "/proc/self/exe",
		Args:        []string{filepath.Base(os.Args[0]), word, opener},
		Dir:         "/", // keeps no file system busy
		Stderr:      p.words,
		ExtraFiles:  []*os.File{requests, replies, p.memory},
		SysProcAttr: &syscall.SysProcAttr{Setpgid: true},
	}
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("child: %w", err)
	}
	made = true
	go func() {
		p.cmd.Wait() // how it ended is told by its pipe and its words
		close(p.ended)
	}()
	return p, nil
}

// memfd is a file in memory.
func memfd(name string) (*os.File, error) {
	fd, err := unix.MemfdCreate(name, unix.MFD_CLOEXEC)
	if err != nil {
		return nil, fmt.Errorf("child: memory: %w", err)
	}
	return os.NewFile(uintptr(fd), name), nil
}

// share maps the memory for a drive of geometry g. The mapping goes when nothing
// refers to the process any more, not before: Close may be called while another
// goroutine still uses the data of an answer.
func (p *process) share(g geometry) error {
	if err := p.memory.Truncate(int64(g.size())); err != nil {
		return fmt.Errorf("child: memory: %w", err)
	}
	m, err := unix.Mmap(int(p.memory.Fd()), 0, g.size(), unix.PROT_READ, unix.MAP_SHARED)
	if err != nil {
		return fmt.Errorf("child: memory: %w", err)
	}
	runtime.AddCleanup(p, func(m []byte) { unix.Munmap(m) }, m)
	head, err := unix.Mmap(int(p.memory.Fd()), 0, g.headBytes(), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	if err != nil {
		return fmt.Errorf("child: memory: %w", err)
	}
	runtime.AddCleanup(p, func(m []byte) { unix.Munmap(m) }, head)
	p.geometry, p.mapping, p.head = g, m, head
	p.memory.Close()
	p.memory = nil
	return nil
}

// send writes a request into the pipe, which is never full: it holds 64 KiB, a
// child that lives empties it, and for one that does not, an error is returned.
func (p *process) send(q request) error {
	_, err := p.requests.Write(q.append(nil))
	return err
}

// lastWords says how the child ended whose pipe gave err.
func (p *process) lastWords(err error, late <-chan struct{}) string {
	if err != io.EOF {
		return fmt.Sprintf("the process that reads the drive made no sense: %v", err)
	}
	select {
	case <-p.ended:
	case <-late:
		return "the process that reads the drive does not answer any more"
	}
	said := make([]byte, 4096)
	n, _ := p.words.ReadAt(said, 0)
	text, _, _ := strings.Cut(strings.TrimSpace(string(said[:n])), "\n")
	if text != "" {
		text = ": " + text
	}
	return fmt.Sprintf("the process that reads the drive ended (%v)%s", p.cmd.ProcessState, text)
}

// part ends a child that is well: it sees its requests end, and closes the drive.
// What does not end before it is late is killed. Part returns then, whatever the
// child does.
func (p *process) part(late <-chan struct{}) {
	p.requests.Close()
	select {
	case <-p.ended:
	case <-late:
	}
	p.abandon()
}

// abandon kills a child and gives everything up that is shared with it. It never
// waits.
func (p *process) abandon() {
	p.cmd.Process.Kill() // an error says that it has ended already
	p.closeFiles()
}

// closeFiles closes the parent's ends. A read of the replies ends by it, though a
// child that hangs keeps the other end open.
func (p *process) closeFiles() {
	for _, f := range []*os.File{p.requests, p.replies, p.memory, p.words} {
		if f != nil {
			f.Close()
		}
	}
}
