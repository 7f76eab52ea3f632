package faultydisc

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/rpc"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"

	"golang.org/x/sys/unix"

	"turnstone/device/sector"
)

// Options say what disc is wanted.
type Options struct {
	Sectors int64  // its capacity, where it has no backing file
	Seed    uint64 // of the Pattern that it holds, where it has no backing file
	Backing string // the file whose bytes it holds; its size is the capacity
}

// maxSectors bounds a disc: the 128 GB of a four-layer BD, the largest disc there
// is, and a quarter of a gigabyte for its counts.
const maxSectors = 1 << 26

// Drive is a faulty disc under a loop device, with errors instead of a test: what
// Disc has below it, for programs. Its methods may be called by any goroutine.
type Drive struct {
	device  *os.File
	sectors int64
	content content

	commands *rpc.Client
	server   *exec.Cmd
	words    *bytes.Buffer // what the server said on its standard error; read after its end
	end      func() error  // ends the server, once

	mu   sync.Mutex
	last *Report // counts and log at the abort
}

// Start makes a faulty disc. ErrUnavailable is wrapped in the error where that is
// not possible here.
func Start(o Options) (*Drive, error) {
	if !mainWasCalled.Load() {
		return nil, errors.New("the program does not call faultydisc.Main first (a test: in TestMain)")
	}
	d := &Drive{sectors: o.Sectors, content: content{seed: o.Seed}}
	if o.Backing != "" {
		if err := d.openBacking(o.Backing); err != nil {
			d.Close()
			return nil, fmt.Errorf("backing file: %w", err)
		}
	}
	if err := d.start(o); err != nil {
		d.Close()
		return nil, err
	}
	return d, nil
}

// openBacking takes a file as what the disc holds.
func (d *Drive) openBacking(path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	d.content.backing = file
	info, err := file.Stat()
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() || info.Size()%sector.Size != 0 {
		return fmt.Errorf("%s is not a file of whole sectors (%d bytes)", path, info.Size())
	}
	d.sectors = info.Size() / sector.Size
	return nil
}

// start makes the connection, its server, and the loop device.
func (d *Drive) start(o Options) error {
	if d.sectors < 1 || d.sectors > maxSectors {
		return fmt.Errorf("a disc of %d sectors can't be made: 1 to %d", d.sectors, maxSectors)
	}
	fuse, root, err := connect()
	if err != nil {
		return err
	}
	defer root.Close()
	err = d.startServer(fuse)
	// The server has to be the connection's only holder, so that its end is the
	// connection's end.
	fuse.Close()
	if err != nil {
		return fmt.Errorf("server: %w", err)
	}
	file, err := openDisc(root)
	if err != nil {
		d.end()
		return fmt.Errorf("%w%s", err, d.lastWords())
	}
	defer file.Close()
	d.device, err = attach(file)
	return err
}

// startServer runs this binary again, as the server of the connection.
func (d *Drive) startServer(fuse *os.File) error {
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	ours, theirs := os.NewFile(uintptr(pair[0]), "socket"), os.NewFile(uintptr(pair[1]), "socket")
	defer ours.Close()
	defer theirs.Close()
	conn, err := net.FileConn(ours)
	if err != nil {
		return err
	}
	d.commands = rpc.NewClient(conn)

	told, err := json.Marshal(order{d.sectors, d.content.seed, d.content.backing != nil})
	if err != nil {
		return err
	}
	d.words = new(bytes.Buffer)
	d.server = &exec.Cmd{
		Path:       "/proc/self/exe",
		Args:       []string{serverName, string(told)},
		Stderr:     d.words,
		ExtraFiles: []*os.File{fuse, theirs},
		// Ctrl-C at the terminal is not for the server: it ends with its socket.
		SysProcAttr: &syscall.SysProcAttr{Setpgid: true},
	}
	if d.content.backing != nil {
		d.server.ExtraFiles = append(d.server.ExtraFiles, d.content.backing)
	}
	if err := d.server.Start(); err != nil {
		d.commands.Close()
		return err
	}
	d.end = sync.OnceValue(func() error {
		d.commands.Close()
		err := d.server.Process.Kill()
		if errors.Is(err, os.ErrProcessDone) {
			err = nil
		}
		d.server.Wait() // its status is that of a killed process
		return err
	})
	return nil
}

// lastWords is what the server, which has ended, said before.
func (d *Drive) lastWords() string {
	if words := strings.TrimSpace(d.words.String()); words != "" {
		return ", the server said: " + words
	}
	return ""
}

// Node is the loop device's node.
func (d *Drive) Node() string { return d.device.Name() }

// Sectors is the disc's capacity.
func (d *Drive) Sectors() int64 { return d.sectors }

// Do carries out a command; the report answers the questions Count and Log. An
// error says that the command makes no sense or that there is no server any more.
func (d *Drive) Do(c Command) (Report, error) {
	d.mu.Lock()
	last := d.last
	d.mu.Unlock()
	if last != nil {
		switch c.Do {
		case Abort:
			return Report{}, nil
		case Count:
			return Report{Counts: last.Counts}, nil
		case Log:
			return Report{Requests: last.Requests}, nil
		}
		return Report{}, errors.New("the disc was aborted and takes no more commands")
	}
	var report Report
	err := d.commands.Call("Disc.Do", c, &report)
	var refused rpc.ServerError
	switch {
	case errors.As(err, &refused):
		return Report{}, err
	case err != nil:
		d.end()
		return Report{}, fmt.Errorf("the server has ended: %w%s", err, d.lastWords())
	case c.Do == Abort:
		d.mu.Lock()
		d.last = &report
		d.mu.Unlock()
		return Report{}, d.end()
	}
	return report, nil
}

// Content is what the sectors of r hold, read past the device.
func (d *Drive) Content(r sector.Range) ([]byte, error) {
	if !(sector.Range{End: sector.LBA(d.sectors)}).Covers(r) {
		return nil, fmt.Errorf("sectors %v are not on a disc of %d sectors", r, d.sectors)
	}
	data := make([]byte, r.Bytes())
	return data, d.content.read(data, r.First)
}

// Close ends everything: requests that wait get EIO, and the loop device is free
// again as soon as nobody else has it open. It never waits for a reader.
func (d *Drive) Close() error {
	var err error
	if d.end != nil {
		err = d.end() // before the device: closing it waits for what is under way
	}
	if d.device != nil {
		err = errors.Join(err, d.device.Close())
		d.device = nil
	}
	if d.content.backing != nil {
		err = errors.Join(err, d.content.backing.Close())
		d.content.backing = nil
	}
	return err
}
