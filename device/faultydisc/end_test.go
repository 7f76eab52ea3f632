package faultydisc

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"turnstone/device/sector"
)

// What this test binary is when it is started under these names.
const (
	asReader    = "faultydisc test: reader"    // reads one sector of a device
	asOwner     = "faultydisc test: owner"     // makes a disc, says its node, waits
	asForgetful = "faultydisc test: forgetful" // makes a disc without Main
)

func TestMain(m *testing.M) {
	if os.Args[0] == asForgetful {
		_, err := Start(Options{Sectors: 1})
		fmt.Println(err)
		return
	}
	Main()
	switch os.Args[0] {
	case asReader:
		read(os.Args[1])
	case asOwner:
		own()
	default:
		os.Exit(m.Run())
	}
}

// read says "open", reads sector 50 of a device and says what came.
func read(node string) {
	f, err := os.OpenFile(node, os.O_RDONLY|unix.O_DIRECT, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("open")
	_, err = pread(f, sector.Span(50, 1))
	fmt.Println(err)
}

// own makes a disc whose sector 50 hangs, says its node, and "hangs" once a read
// of it does.
func own() {
	d, err := Start(Options{Sectors: 100})
	if err == nil {
		_, err = d.Do(Command{Do: Hang, Sectors: sector.Span(50, 1)})
	}
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(d.Node())
	_, err = d.Do(Command{Do: Await, Times: 1})
	fmt.Println("hangs", err)
	io.Copy(io.Discard, os.Stdin)
}

// child is one of this binary's other lives.
type child struct {
	cmd *exec.Cmd
	out *bufio.Reader
}

func start(t *testing.T, args ...string) *child {
	t.Helper()
	cmd := &exec.Cmd{Path: "/proc/self/exe", Args: args, Stderr: os.Stderr}
	if _, err := cmd.StdinPipe(); err != nil { // open until Wait
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
	})
	return &child{cmd, bufio.NewReader(out)}
}

// hears waits for a line of the child.
func (c *child) hears(t *testing.T) string {
	t.Helper()
	line, err := c.out.ReadString('\n')
	if err != nil {
		t.Fatalf("%s: %q, %v; want a line", c.cmd.Args[0], line, err)
	}
	return strings.TrimSuffix(line, "\n")
}

// The test ends while another process hangs on its disc: the cleanup does not
// wait for that process, but sets it free, and its end frees the loop device.
func TestCleanupWhileReadHangs(t *testing.T) {
	var reader *child
	var node, life string
	outer := t // whose end is the reader's
	t.Run("hang", func(t *testing.T) {
		d := New(t, Options{Sectors: 100})
		node, life = d.Device, attachment(t, d.Device)
		d.Hang(sector.Span(50, 1))
		reader = start(outer, asReader, d.Device)
		reader.hears(t)
		d.Await(1)
	})
	if reader == nil {
		t.Skip("no disc")
	}
	if got := reader.hears(t); got != syscall.EIO.Error() {
		t.Errorf("the read that hung = %q; want %v", got, syscall.EIO)
	}
	if err := reader.cmd.Wait(); err != nil {
		t.Errorf("the reader ended with %v; want nil", err)
	}
	if now := attachment(t, node); now == life {
		t.Errorf("%s still holds the disc", node)
	}
}

// A test process that is killed leaves nothing behind either.
func TestOwnerKilled(t *testing.T) {
	New(t, Options{Sectors: 1}) // skips where there can be no disc
	owner := start(t, asOwner)
	node := owner.hears(t)
	life := attachment(t, node)
	if life == "" {
		t.Fatalf("the owner said %q and %q holds no disc", node, node)
	}
	reader := start(t, asReader, node)
	reader.hears(t)
	if got := owner.hears(t); got != "hangs <nil>" {
		t.Fatalf("owner said %q; want: hangs <nil>", got)
	}
	owner.cmd.Process.Signal(syscall.SIGKILL)
	owner.cmd.Wait()
	if got := reader.hears(t); got != syscall.EIO.Error() {
		t.Errorf("the read that hung = %q; want %v", got, syscall.EIO)
	}
	if err := reader.cmd.Wait(); err != nil {
		t.Errorf("the reader ended with %v; want nil", err)
	}
	if now := attachment(t, node); now == life {
		t.Errorf("%s still holds the disc", node)
	}
	mounts, err := os.ReadFile("/proc/self/mountinfo")
	if err != nil || strings.Contains(string(mounts), "faultydisc") {
		t.Errorf("mountinfo names a faulty disc (%v)", err)
	}
}
