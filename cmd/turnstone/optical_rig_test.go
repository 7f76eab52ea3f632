package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The optical rig is a guest in QEMU with USB optical drives that go wrong on
// request: written apart from this project, driven by the guest's own kernel, each
// with a log of every command that it got. TURNSTONE_RIGS names the folder of the
// rigs.

// guestLimit is how long the guest may live; no test waits longer.
const guestLimit = 12 * time.Minute

// guest is the running machine, as the host sees it.
type guest struct {
	share   string // the folder that both see
	machine *exec.Cmd
	ended   chan struct{}
	words   safeBuffer // what the machine said

	mu     sync.Mutex
	orders int
}

// usbDrive is one of its drives.
type usbDrive struct {
	t     testing.TB
	model string // by which the guest knows it
	dir   string
	built string

	process *exec.Cmd
	ended   chan struct{}
}

// opticalRig finds the rig, builds it where that was not done yet, and returns the
// folder of its scripts and that of its programs.
func opticalRig(t *testing.T) (scripts, built string) {
	t.Helper()
	rigs := os.Getenv("TURNSTONE_RIGS")
	if rigs == "" {
		t.Skip("TURNSTONE_RIGS names no folder with rigs")
	}
	if _, err := exec.LookPath("qemu-system-x86_64"); err != nil {
		lacking(t, "no qemu-system-x86_64 (Debian: qemu-system-x86)")
	}
	scripts, built = filepath.Join(rigs, "optical"), os.Getenv("RIG")
	if built == "" {
		built = filepath.Join(os.TempDir(), "turnstone-rigs", "optical")
	}
	if err := os.MkdirAll(built, 0o755); err != nil {
		t.Fatal(err)
	}
	lock, err := os.OpenFile(filepath.Join(built, "lock"), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	defer lock.Close()
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX); err != nil { // another test may build it
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(built, "initrd-usb.gz")); err == nil {
		return scripts, built
	}
	c := exec.CommandContext(t.Context(), "timeout", "300", "sh", filepath.Join(scripts, "build.sh"))
	c.Env = append(os.Environ(), "RIG="+built)
	if out, err := c.CombinedOutput(); err != nil {
		lacking(t, "the optical rig can't be built (it fetches Debian's kernel): %v\n%s", err, out)
	}
	return scripts, built
}

// bootGuest starts a machine with drives of these models, none of them plugged in.
// Machine and drives end with the test.
func bootGuest(t *testing.T, models ...string) (*guest, map[string]*usbDrive) {
	t.Helper()
	scripts, built := opticalRig(t)
	share, err := os.MkdirTemp("", "turnstone-guest-") // short: the names of sockets are
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(share) })
	for _, sub := range []string{"order", "reply"} {
		if err := os.Mkdir(filepath.Join(share, sub), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	agent := filepath.Join(share, "agent")
	c := exec.CommandContext(t.Context(), "go", "test", "-c", "-ldflags=-s -w", "-o", agent, ".")
	c.Env = append(os.Environ(), "CGO_ENABLED=0") // the guest has no C library
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("go test -c: %v\n%s", err, out)
	}
	limit := strconv.Itoa(int(guestLimit.Seconds()))
	// Two things that processors do fast are slow in one that is emulated (QEMU 7.2):
	// the instruction for CRC-32C goes bit by bit, and copying by "rep movsb" byte by
	// byte. A processor without them computes and copies faster here.
	bus := "-cpu max,-sse4.2,-erms,-fsrm -device qemu-xhci,id=xhci,p2=15,p3=1"
	drives := map[string]*usbDrive{}
	for _, model := range models {
		d := &usbDrive{t: t, model: model, dir: filepath.Join(share, model)}
		drives[model] = d
		if err := os.Mkdir(d.dir, 0o700); err != nil {
			t.Fatal(err)
		}
		d.start(t, built)
		bus += fmt.Sprintf(" -chardev socket,id=%s,path=%s,reconnect=1 -device usb-redir,chardev=%[1]s,bus=xhci.0", model, d.path("sock"))
	}
	g := &guest{share: share}
	for try := 1; ; try++ {
		g.machine = exec.Command(filepath.Join(scripts, "run.sh"), "-w", share, "-t", limit, "-q", bus,
			agent, "-test.run=^TestInGuest$", "-test.timeout="+guestLimit.String(), inGuest)
		g.machine.Env = append(os.Environ(), "RIG="+built, "INITRD="+filepath.Join(built, "initrd-usb.gz"), "MEM=1536", "SMP=2")
		g.machine.Stdout, g.machine.Stderr = &g.words, &g.words
		g.ended = launch(t, g.powerOff, g.machine)
		if g.up() {
			break
		}
		if try == mostBoots {
			t.Fatalf("the machine ended %d times before it was up: %s", try, g.lastWords())
		}
		t.Logf("the machine ended before it was up, and is started once more: %s", g.lastWords())
	}
	t.Cleanup(func() { // before that
		if t.Failed() {
			t.Logf("the machine said:\n%s", g.words.String())
		}
	})
	return g, drives
}

// mostBoots is how often a machine is started that does not come up: an emulated one on
// a host that does much else may miss a deadline of its own kernel.
const mostBoots = 2

// up waits until the machine takes orders; false where it ends before.
func (g *guest) up() bool {
	for {
		if _, err := os.Stat(filepath.Join(g.share, "reply", isUp)); err == nil {
			return true
		}
		select {
		case <-g.ended:
			return false
		case <-time.After(lookEvery):
		}
	}
}

// lastWords is how a machine ended: its status, what it printed, and the end of its
// console.
func (g *guest) lastWords() string {
	<-g.ended
	console, _ := os.ReadFile(filepath.Join(g.share, "console.log"))
	return fmt.Sprintf("%v\n%s\nconsole: …%s", g.machine.ProcessState, g.words.String(), console[max(0, len(console)-4000):])
}

// start switches a drive on: empty, and not plugged in.
func (d *usbDrive) start(t *testing.T, built string) {
	t.Helper()
	for _, name := range []string{"sock", "ctl", "log"} {
		os.Remove(d.path(name))
	}
	d.built = built
	d.process = exec.Command("timeout", strconv.Itoa(int(guestLimit.Seconds())), filepath.Join(built, "usbdrive.bin"),
		"-unplugged", "-model", d.model, "-socket", d.path("sock"), "-control", d.path("ctl"), "-log", d.path("log"))
	d.ended = launch(t, nil, d.process)
	awaitFile(t, d.path("sock"))
	awaitFile(t, d.path("ctl"))
}

// switchOff cuts a drive's power.
func (d *usbDrive) switchOff() {
	d.process.Process.Signal(syscall.SIGTERM) // which timeout passes on
	<-d.ended
}

// launch starts a process that ends with the test: asked to by end, where it is
// given, else by SIGTERM. The channel is closed when it has ended.
func launch(t *testing.T, end func(), c *exec.Cmd) chan struct{} {
	t.Helper()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		c.Wait()
		close(ended)
	}()
	t.Cleanup(func() {
		if end != nil {
			end()
		} else {
			c.Process.Signal(syscall.SIGTERM) // which timeout passes on
		}
		select {
		case <-ended:
		case <-time.After(20 * time.Second):
			c.Process.Kill()
			<-ended
		}
	})
	return ended
}

// powerOff ends the machine as pulling its plug does (QMP, quit).
func (g *guest) powerOff() {
	c, err := net.Dial("unix", filepath.Join(g.share, "qmp.sock"))
	if err != nil {
		return
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(5 * time.Second))
	fmt.Fprintln(c, `{"execute":"qmp_capabilities"}{"execute":"quit"}`)
	for b := make([]byte, 4096); ; { // until it hangs up
		if _, err := c.Read(b); err != nil {
			return
		}
	}
}

func awaitFile(t testing.TB, path string) {
	t.Helper()
	for range tooLate / lookEvery {
		if _, err := os.Stat(path); err == nil {
			return
		}
		time.Sleep(lookEvery)
	}
	t.Fatalf("there is no %s", path)
}

// order hands an order to the guest, and returns its number.
func (g *guest) order(t testing.TB, do string, args ...string) string {
	t.Helper()
	b, err := json.Marshal(order{do, args})
	if err != nil {
		t.Fatal(err)
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.orders++
	n := strconv.Itoa(g.orders)
	if err := writeWhole(filepath.Join(g.share, "order", n), b); err != nil {
		t.Fatal(err)
	}
	return n
}

// lookEvery is how often is looked whether something happened. Nothing tells us: the
// folder is another machine's.
const lookEvery = 50 * time.Millisecond

// reply waits for what came of an order.
func (g *guest) reply(t testing.TB, n string) (r reply) {
	t.Helper()
	for {
		b, err := os.ReadFile(filepath.Join(g.share, "reply", n))
		if err == nil {
			if err := json.Unmarshal(b, &r); err != nil {
				t.Fatal(err)
			}
			return r
		}
		select {
		case <-g.ended:
			t.Fatalf("the guest has ended: %s", g.lastWords())
		case <-time.After(lookEvery):
		}
	}
}

// do has an order done.
func (g *guest) do(t testing.TB, do string, args ...string) string {
	t.Helper()
	r := g.reply(t, g.order(t, do, args...))
	if r.Err != "" {
		t.Fatalf("%s %v in the guest: %s", do, args, r.Err)
	}
	return r.Text
}

// inGuestRun is the program while it runs in the guest.
type inGuestRun struct {
	t      testing.TB
	g      *guest
	number string
	args   []string
}

func (g *guest) start(t testing.TB, args ...string) *inGuestRun {
	t.Helper()
	return &inGuestRun{t, g, g.order(t, "run", args...), args}
}

// turnstone runs the program to its end.
func (g *guest) turnstone(t testing.TB, args ...string) result {
	t.Helper()
	return g.start(t, args...).wait()
}

func (r *inGuestRun) said(where string) string {
	b, _ := os.ReadFile(filepath.Join(r.g.share, "reply", r.number+"."+where))
	return string(b)
}

func (r *inGuestRun) wait() result {
	r.t.Helper()
	got := r.g.reply(r.t, r.number)
	if got.Err != "" {
		r.t.Fatalf("turnstone %v in the guest: %s", r.args, got.Err)
	}
	return result{r.t, r.args, got.Code, r.said("out"), r.said("err")}
}

func (r *inGuestRun) ended() bool {
	_, err := os.Stat(filepath.Join(r.g.share, "reply", r.number))
	return err == nil
}

func (r *inGuestRun) signal(s syscall.Signal) {
	r.t.Helper()
	r.g.do(r.t, "signal", r.number, strconv.Itoa(int(s)))
}

func (d *usbDrive) path(name string) string { return filepath.Join(d.dir, name) }

// tell sends lines to the drive's control socket: rules and deeds.
func (d *usbDrive) tell(lines ...string) {
	d.t.Helper()
	c, err := net.Dial("unix", d.path("ctl"))
	if err != nil {
		d.t.Fatal(err)
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(tooLate))
	answers := bufio.NewReader(c)
	for _, line := range lines {
		fmt.Fprintln(c, line)
		if a, err := answers.ReadString('\n'); err != nil || a != "ok\n" {
			d.t.Fatalf("the drive was told %q and says %q, %v", line, a, err)
		}
	}
}
