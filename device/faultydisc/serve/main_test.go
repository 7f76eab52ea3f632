package main

import (
	"bufio"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

// asServe is the name under which this test binary is the command itself.
const asServe = "serve"

func TestMain(m *testing.M) {
	if os.Args[0] == asServe {
		main()
	}
	faultydisc.Main()
	os.Exit(m.Run())
}

// session is a running serve, as a process of its own.
type session struct {
	cmd    *exec.Cmd
	in     io.WriteCloser
	out    *bufio.Reader
	Device string
}

// serve starts the command; the test skips where there can be no disc.
func serve(t *testing.T, args ...string) *session {
	t.Helper()
	faultydisc.New(t, faultydisc.Options{Sectors: 1})
	s := &session{cmd: &exec.Cmd{Path: "/proc/self/exe", Args: append([]string{asServe}, args...), Stderr: os.Stderr}}
	var err error
	if s.in, err = s.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	s.out = bufio.NewReader(out)
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.cmd.Process.Kill()
		s.cmd.Wait()
	})
	s.Device = s.line(t)
	return s
}

func (s *session) line(t *testing.T) string {
	t.Helper()
	line, err := s.out.ReadString('\n')
	if err != nil {
		t.Fatalf("serve said %q, %v; want a line", line, err)
	}
	return strings.TrimSuffix(line, "\n")
}

// tell types a command and returns its answer, up to "done" or "no".
func (s *session) tell(t *testing.T, command string) []string {
	t.Helper()
	if _, err := io.WriteString(s.in, command+"\n"); err != nil {
		t.Fatal(err)
	}
	var answer []string
	for {
		line := s.line(t)
		answer = append(answer, line)
		if strings.HasPrefix(line, "done: ") || strings.HasPrefix(line, "no: ") {
			return answer
		}
	}
}

// pread reads sectors past the page cache and returns their data.
func pread(t *testing.T, device string, r sector.Range) ([]byte, error) {
	t.Helper()
	f, err := os.OpenFile(device, os.O_RDONLY|unix.O_DIRECT, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	buf, err := unix.Mmap(-1, 0, int(r.Bytes()), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANONYMOUS)
	if err != nil {
		t.Fatal(err)
	}
	n, err := unix.Pread(int(f.Fd()), buf, r.First.Offset())
	if err != nil {
		return nil, err
	}
	return buf[:n], nil
}

// A conversation: faults from options and from commands, what was asked, and
// the exit status that tells of the command that was refused.
func TestConversation(t *testing.T) {
	s := serve(t, "-sectors", "1000", "-seed", "3", "-fail", "100+4", "-fail", "200 ENODATA 1")
	read := func(r sector.Range, want error) {
		t.Helper()
		data, err := pread(t, s.Device, r)
		if err != want || err == nil && string(data) != string(faultydisc.Pattern(3, r)) {
			t.Errorf("pread(%v) = %d bytes, %v; want %v", r, len(data), err, want)
		}
	}
	says := func(command string, want ...string) {
		t.Helper()
		if got := s.tell(t, command); !slices.Equal(got, want) {
			t.Errorf("to %q serve said %q; want %q", command, got, want)
		}
	}
	says("reset", "done: reset")
	read(sector.Span(103, 1), syscall.EIO)
	read(sector.Span(104, 1), nil)
	read(sector.Span(200, 1), syscall.ENODATA)
	read(sector.Span(200, 1), nil)
	says("log", "103+1 EIO", "104+1 good", "200+1 ENODATA", "200+1 good", "done: log")
	says("counts", "0+103: never", "103+2: once", "105+95: never", "200+1: twice", "201+799: never", "done: counts")
	says("hang 400", "done: hang 400+1")
	hung := make(chan error)
	go func() {
		_, err := pread(t, s.Device, sector.Span(400, 1))
		hung <- err
	}()
	says("await", "done: await 1")
	says("log", "103+1 EIO", "104+1 good", "200+1 ENODATA", "200+1 good", "400+1 waiting", "done: log")
	says("release", "done: release")
	if err := <-hung; err != nil {
		t.Errorf("pread(400) after release = %v; want nil", err)
	}
	says("gone", "done: gone")
	read(sector.Span(0, 1), syscall.ENODEV)
	says("heal", "done: heal")
	read(sector.Span(100, 4), nil)
	says("fail 1000", "no: sectors 1000+1 are not on a disc of 1000 sectors")
	says("melt", `no: there is no command "melt"`)
	says("quit", "done: quit")
	s.cmd.Wait()
	if code := s.cmd.ProcessState.ExitCode(); code != 1 {
		t.Errorf("exit status = %d; want 1", code)
	}
}

// However serve ends, a read that hangs gets an error and the device goes.
func TestEnds(t *testing.T) {
	for name, end := range map[string]func(*session){
		"end of input": func(s *session) { s.in.Close() },
		"ctrl-c":       func(s *session) { s.cmd.Process.Signal(os.Interrupt) },
		"kill":         func(s *session) { s.cmd.Process.Kill() },
	} {
		t.Run(name, func(t *testing.T) {
			s := serve(t, "-sectors", "100", "-hang", "50")
			hung := make(chan error)
			go func() {
				_, err := pread(t, s.Device, sector.Span(50, 1))
				hung <- err
			}()
			s.tell(t, "await")
			life := attachment(s.Device)
			end(s)
			if err := <-hung; err != syscall.EIO {
				t.Errorf("the read that hung = %v; want EIO", err)
			}
			s.cmd.Wait()
			if now := attachment(s.Device); now == life {
				t.Errorf("%s still holds the disc", s.Device)
			}
		})
	}
}

// attachment tells one life of a loop device from the next, which another process
// may have begun already.
func attachment(node string) string {
	sys := "/sys/block/" + filepath.Base(node)
	if _, err := os.Stat(sys + "/loop/backing_file"); err != nil {
		return ""
	}
	seq, _ := os.ReadFile(sys + "/diskseq")
	return string(seq)
}

func TestBacking(t *testing.T) {
	r := sector.Span(7, 20)
	path := filepath.Join(t.TempDir(), "disc.iso")
	if err := os.WriteFile(path, faultydisc.Pattern(9, r), 0o600); err != nil {
		t.Fatal(err)
	}
	s := serve(t, "-backing", path)
	data, err := pread(t, s.Device, sector.Span(0, 20))
	if err != nil || string(data) != string(faultydisc.Pattern(9, r)) {
		t.Errorf("pread = %d bytes, %v; want the file's", len(data), err)
	}
}

// Options that make no sense are refused before there is a device.
func TestUsage(t *testing.T) {
	for _, test := range []struct {
		args []string
		want string
		code int
	}{
		{nil, "-sectors or -backing says what disc is wanted", 2},
		{[]string{"-sectors", "many"}, "many", 2},
		{[]string{"-sectors", "9", "extra"}, `"extra" is no option`, 2},
		{[]string{"-sectors", "9", "-fail", "x"}, `"x" is not a sector number`, 2},
		{[]string{"-backing", "f", "-seed", "1"}, "no -sectors, no -seed", 2},
		{[]string{"-backing", "/nowhere"}, "no such file", 1},
		{[]string{"-sectors", "-9"}, "disc of -9 sectors", 1},
	} {
		var out, complaints strings.Builder
		code := run(test.args, strings.NewReader(""), &out, &complaints)
		if code != test.code || out.Len() > 0 || !strings.Contains(complaints.String(), test.want) {
			t.Errorf("serve %q = %d, said %q and complained %q; want %d, nothing and %q",
				test.args, code, out.String(), complaints.String(), test.code, test.want)
		}
	}
}

// A fault from an option that is not on the disc is a usage error too, though it
// is known only once the disc is there.
func TestUsageOffDisc(t *testing.T) {
	faultydisc.New(t, faultydisc.Options{Sectors: 1})
	var out, complaints strings.Builder
	code := run([]string{"-sectors", "9", "-fail", "9"}, strings.NewReader(""), &out, &complaints)
	if want := "serve: fail 9+1 EIO: sectors 9+1 are not on a disc of 9 sectors\n"; code != 2 || out.Len() > 0 || complaints.String() != want {
		t.Errorf("serve = %d, said %q and complained %q; want 2, nothing and %q", code, out.String(), complaints.String(), want)
	}
}

// The help names every command as the program reads it, every errno that it takes,
// and fits a terminal.
func TestHelp(t *testing.T) {
	var out strings.Builder
	if code := run([]string{"--help"}, nil, &out, io.Discard); code != 0 || out.String() != help {
		t.Errorf("serve --help = %d and %d bytes; want 0 and the help", code, out.Len())
	}
	_, commands, _ := strings.Cut(help, "\nCommands:\n")
	named := regexp.MustCompile(`(?m)^  ([a-z]+)\b`).FindAllStringSubmatch(commands, -1)
	example := map[string]string{"fail": "fail 3", "delay": "delay 3 1s", "hang": "hang 3"}
	var verbs []string
	for _, match := range named {
		verb := match[1]
		if verb == "help" {
			break
		}
		verbs = append(verbs, verb)
		line := verb
		if example[verb] != "" {
			line = example[verb]
		}
		if _, err := faultydisc.ParseCommand(line); err != nil {
			t.Errorf("the help has %q; ParseCommand(%q) = %v", verb, line, err)
		}
	}
	if len(verbs) != 11 {
		t.Errorf("the help names %d commands, %q; want 11", len(verbs), verbs)
	}
	for _, errno := range faultydisc.Errnos() {
		if name := unix.ErrnoName(errno); !strings.Contains(help, name) {
			t.Errorf("the help does not name %s", name)
		}
	}
	for line := range strings.Lines(help) {
		if len(line) > 81 {
			t.Errorf("the help's line %q is longer than 80", line)
		}
	}
}
