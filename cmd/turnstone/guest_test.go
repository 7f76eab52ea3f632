package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// What runs in the rig's guest. The guest is a machine without a network: the host
// leaves orders in a folder that both see, and finds the replies in another.
//
//	host                                    guest (this file)
//	order/7 {"Do":"run", "Args":[…]} ─────▶ starts the program
//	reply/7.out, reply/7.err ◀───────────── what it writes, as it writes it
//	reply/7 {"Code":3} ◀─────────────────── when it has ended
const inGuest = "in-guest"

// isUp is the first reply: that orders are taken.
const isUp = "up"

// order is one thing to be done.
type order struct {
	Do   string
	Args []string
}

// reply is what came of it.
type reply struct {
	Code int    // of a program; -1 where a signal ended it
	Text string // what was asked for
	Err  string // why it was not done
}

// TestInGuest does what the host orders, until it is told to end.
func TestInGuest(t *testing.T) {
	if flag.Arg(0) != inGuest {
		t.Skip("runs in the guest of the optical rig only")
	}
	g := inside{share: "/host", program: "/tmp/turnstone", running: map[string]*exec.Cmd{}, held: map[string]int{}}
	// Called by this name the test binary is the program: see TestMain.
	if err := copyFile(g.program, "/proc/self/exe", 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Link(g.program, filepath.Join(filepath.Dir(g.program), shell)); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", filepath.Dir(g.program))
	if err := writeWhole(filepath.Join(g.share, "reply", isUp), nil); err != nil {
		t.Fatal(err)
	}
	for n := 1; ; n++ {
		name := strconv.Itoa(n)
		var o order
		for { // the host gives the machine a limit
			b, err := os.ReadFile(filepath.Join(g.share, "order", name))
			if err == nil {
				if err := json.Unmarshal(b, &o); err != nil {
					t.Fatal(err)
				}
				break
			}
			time.Sleep(20 * time.Millisecond)
		}
		if o.Do == "end" {
			return
		}
		go g.obey(name, o)
	}
}

// shell is the name by which the program finds the shell.
const shell = "sh"

// guestShell stands for a shell where this binary is called by its name: the guest has
// none. All that it can be told to run is a wish, by a file's name: it makes the file,
// with its last argument in it, and ends when somebody has taken the file away.
func guestShell() {
	if filepath.Base(os.Args[0]) != shell || len(os.Args) < 3 {
		return
	}
	path, _, _ := strings.Cut(os.Args[2], " ")
	err := writeWhole(path, []byte(os.Args[len(os.Args)-1]))
	for err == nil {
		time.Sleep(20 * time.Millisecond)
		_, err = os.Stat(path)
	}
	if !errors.Is(err, os.ErrNotExist) {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// inside is the guest.
type inside struct {
	share, program string

	mu      sync.Mutex
	running map[string]*exec.Cmd // by the number of their order
	held    map[string]int       // descriptors by node
}

func (g *inside) obey(name string, o order) {
	do := map[string]func(string, []string) (reply, error){
		"run": g.run, "signal": g.signal, "node": g.node, "gone": g.gone, "hold": g.hold, "release": g.release,
		"fetch": g.fetch, "raw": g.raw, "copy": g.copyDisc, "remove": g.remove, "sectors": g.sectors,
	}[o.Do]
	r, err := reply{}, fmt.Errorf("no order %q", o.Do)
	if do != nil {
		r, err = do(name, o.Args)
	}
	if err != nil {
		r.Err = err.Error()
	}
	b, err := json.Marshal(r)
	if err == nil {
		err = writeWhole(filepath.Join(g.share, "reply", name), b)
	}
	if err != nil {
		fmt.Println("reply:", err)
	}
}

// writeWhole writes a file that whoever looks finds whole or not at all.
func writeWhole(path string, b []byte) error {
	if err := os.WriteFile(path+".new", b, 0o600); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

// run runs the program to its end.
func (g *inside) run(name string, args []string) (reply, error) {
	c := exec.Command(g.program, args...)
	c.Dir = "/"
	for to, w := range map[string]*io.Writer{"out": &c.Stdout, "err": &c.Stderr} {
		f, err := os.Create(filepath.Join(g.share, "reply", name+"."+to))
		if err != nil {
			return reply{}, err
		}
		defer f.Close()
		*w = f
	}
	g.mu.Lock()
	err := c.Start()
	g.running[name] = c
	g.mu.Unlock()
	if err != nil {
		return reply{}, err
	}
	c.Wait()
	return reply{Code: c.ProcessState.ExitCode()}, nil
}

// signal sends a signal to a program: the number of its order, and the signal's.
func (g *inside) signal(_ string, args []string) (reply, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	c, n := g.running[args[0]], 0
	if _, err := fmt.Sscan(args[1], &n); err != nil || c == nil {
		return reply{}, fmt.Errorf("no order %s, or no signal %s", args[0], args[1])
	}
	return reply{}, c.Process.Signal(syscall.Signal(n))
}

// nodeOf is the node of a drive of a model and the state in which the kernel has it; ""
// where there is none.
func nodeOf(model string) (node, state string) {
	line := func(path string) string {
		b, _ := os.ReadFile(path)
		return strings.TrimSpace(string(b))
	}
	names, _ := filepath.Glob("/sys/block/sr*")
	for _, name := range names {
		if line(filepath.Join(name, "device/model")) == model {
			return "/dev/" + filepath.Base(name), line(filepath.Join(name, "device/state"))
		}
	}
	return "", ""
}

// node waits until a drive of a model is there, and replies with its node.
func (g *inside) node(_ string, args []string) (reply, error) {
	for range 1500 {
		if node, state := nodeOf(args[0]); state == "running" {
			return reply{Text: node}, nil
		}
		time.Sleep(20 * time.Millisecond)
	}
	return reply{}, fmt.Errorf("no drive %s", args[0])
}

// gone waits until no drive of a model is there.
func (g *inside) gone(_ string, args []string) (reply, error) {
	node, state := "", ""
	for range 1500 {
		if node, state = nodeOf(args[0]); node == "" {
			return reply{}, nil
		}
		time.Sleep(20 * time.Millisecond)
	}
	return reply{}, fmt.Errorf("the drive %s is %s still, %s", args[0], node, state)
}

// hold keeps a node open, so that its name is taken when its drive has gone.
func (g *inside) hold(_ string, args []string) (reply, error) {
	fd, err := unix.Open(args[0], unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return reply{}, err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.held[args[0]] = fd
	return reply{}, nil
}

func (g *inside) release(_ string, args []string) (reply, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return reply{}, unix.Close(g.held[args[0]])
}

// fetch copies a case to the host: the folder in the guest, the host's below the
// share.
func (g *inside) fetch(_ string, args []string) (reply, error) {
	to := filepath.Join(g.share, args[1])
	if err := os.MkdirAll(to, 0o700); err != nil {
		return reply{}, err
	}
	var errs []error
	for _, name := range []string{"map.db", "image.iso", "status.json"} {
		errs = append(errs, copyFile(filepath.Join(to, name), filepath.Join(args[0], name), 0o600))
	}
	return reply{}, errors.Join(errs...)
}

func (g *inside) remove(_ string, args []string) (reply, error) {
	return reply{}, os.RemoveAll(args[0])
}

// sectors is how large the kernel says that a node is.
func (g *inside) sectors(_ string, args []string) (reply, error) {
	b, err := os.ReadFile(filepath.Join("/sys/block", filepath.Base(args[0]), "size")) // in units of 512 bytes
	n, _ := strconv.ParseInt(strings.TrimSpace(string(b)), 10, 64)
	return reply{Text: strconv.FormatInt(n/4, 10)}, err
}

// copyFile copies a file, and leaves its holes.
func copyFile(to, from string, mode os.FileMode) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	st, err := in.Stat()
	if err != nil {
		return err
	}
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode)
	if err != nil {
		return err
	}
	for at := int64(0); at < st.Size(); {
		data, err := unix.Seek(int(in.Fd()), at, unix.SEEK_DATA)
		if err == unix.ENXIO { // a hole up to the end
			break
		}
		if err != nil { // a file system that does not tell
			data = at
		}
		hole, err := unix.Seek(int(in.Fd()), data, unix.SEEK_HOLE)
		if err != nil {
			hole = st.Size()
		}
		if _, err := io.Copy(io.NewOffsetWriter(out, data), io.NewSectionReader(in, data, hole-data)); err != nil {
			return errors.Join(err, out.Close())
		}
		at = hole
	}
	return errors.Join(out.Truncate(st.Size()), out.Close())
}
