package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/creack/pty"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
	"turnstone/imager"
)

// person is somebody at a terminal in which the program runs.
type person struct {
	*running
	hand *os.File // what is typed, and the size of the window
}

// atTerminal starts the program in a terminal of its own. All it writes goes to
// running.err.
func atTerminal(t *testing.T, columns uint16, args ...string) person {
	t.Helper()
	cmd := exec.Command(program(t), args...)
	cmd.Dir = "/"
	hand, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: columns})
	if err != nil {
		t.Fatal(err)
	}
	r := &running{t: t, cmd: cmd, done: make(chan struct{})}
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := hand.Read(buf)
			r.err.Write(buf[:n])
			if err != nil { // EIO, once nobody has the terminal open
				break
			}
		}
		cmd.Wait()
		close(r.done)
	}()
	t.Cleanup(func() {
		cmd.Process.Kill()
		<-r.done
		hand.Close()
	})
	return person{r, hand}
}

func (p person) types(keys string) {
	p.t.Helper()
	if _, err := p.hand.WriteString(keys); err != nil {
		p.t.Fatal(err)
	}
}

const ctrlC = "\x03"

// Ctrl-C while a read hangs: the program gives the request up, ends in order and
// says how to go on.
func TestCtrlCWhileAReadHangs(t *testing.T) {
	t.Parallel()
	w := newWitness(t, faultydisc.Options{Sectors: 2048, Seed: 20})
	w.disc.Hang(sector.Span(1000, 1))
	p := atTerminal(t, 200, "read", w.dir, "--drive", w.disc.Device)
	w.disc.Await(1)
	p.types(ctrlC)
	p.says("once more to leave at once")
	end := p.wait().is(exitMissing)
	s := screen{width: 200}
	if err := s.show(end.err); err != nil {
		t.Errorf("on the terminal: %v", err)
	}
	shown := strings.Join(strings.Fields(s.String()), " ") // lines are broken at the width
	for _, words := range []string{"Pass 0 ended: interrupted; the drive was silent then, for ", "Go on: turnstone read " + w.dir + " --drive " + w.disc.Device} {
		if !strings.Contains(shown, words) {
			t.Errorf("the terminal shows:\n%s\nwant in it: %q", s.String(), words)
		}
	}
	w.ended("interrupted")
	w.lists("bad")
	w.truthful()
	w.disc.Release()
	w.disc.Reset()
	w.good = listed(t, w.dir, "good")
	w.read().is(exitDone)
	w.whole()
}

// Ctrl-C while the drive works on a request: what comes of it within two seconds is
// kept. The key reaches the program alone, not the child that reads.
func TestCtrlCFinishesTheRequestInHand(t *testing.T) {
	t.Parallel()
	w := newWitness(t, faultydisc.Options{Sectors: 2048, Seed: 24})
	// A test that is held up for two seconds finds it given up, and tries again.
	for try := 0; ; try++ {
		w.disc.Hang(sector.Span(1000, 1))
		p := atTerminal(t, 80, "read", w.dir, "--drive", w.disc.Device)
		w.disc.Await(1)
		p.types(ctrlC)
		p.says("once more to leave at once")
		w.disc.Release()
		p.wait().is(exitMissing)
		w.ended("interrupted")
		w.truthful()
		if good := listed(t, w.dir, "good"); good.Contains(1000) {
			break
		}
		if try == 5 {
			t.Fatal("the request in hand is given up though its answer comes")
		}
	}
}

// The second Ctrl-C leaves at once: no more is said, the pass is found unended by
// the next one, and nothing false is called good.
func TestSecondCtrlCLeavesAtOnce(t *testing.T) {
	t.Parallel()
	w := newWitness(t, faultydisc.Options{Sectors: 2048, Seed: 21})
	w.disc.Hang(sector.Span(1000, 1))
	// The pass waits two seconds for the request in hand; who types slower than
	// that, on a machine that is very busy, sees it end in order and tries again.
	for try := 0; ; try++ {
		p := atTerminal(t, 80, "read", w.dir, "--drive", w.disc.Device)
		w.disc.Await(1 + try)
		p.types(ctrlC)
		p.says("once more to leave at once")
		p.types(ctrlC)
		end := p.wait().is(exitMissing)
		if !strings.Contains(end.err, "ended: interrupted") {
			break
		}
		if try == 5 {
			t.Fatalf("a second Ctrl-C does not leave at once:\n%s", end.err)
		}
	}
	w.ended("")
	w.truthful()
	w.disc.Release()
	w.disc.Reset()
	w.good = listed(t, w.dir, "good")
	w.read().is(exitDone)
	w.whole()
}

// frame is one drawing of the line that is redrawn in place: where the window has
// become narrower the pieces of the broken line are erased first.
var frame = regexp.MustCompile(`(?:\x1b\[\d*A\r\x1b\[J)?\r([^\r\n\x1b]+)\x1b\[K`)

// The progress line fits the width at every moment, also while the window becomes
// narrower, leaves nothing behind then, and is gone in the end.
func TestProgressOnATerminal(t *testing.T) {
	t.Parallel()
	const wide, narrow = 100, 40
	w := newWitness(t, faultydisc.Options{Sectors: 2048, Seed: 22})
	w.disc.Hang(sector.Span(1000, 1))
	p := atTerminal(t, wide, "read", w.dir, "--drive", w.disc.Device)
	w.disc.Await(1)
	p.says("trying sectors 992 to 1,007 for")
	before := len(p.err.String())
	if err := pty.Setsize(p.hand, &pty.Winsize{Rows: 24, Cols: narrow}); err != nil {
		t.Fatal(err)
	}
	// What was on its way when the window changed is as wide as before.
	resized := -1
	if !p.err.awaitThat(func(s string) bool {
		for _, at := range frame.FindAllStringSubmatchIndex(s, -1) {
			if at[0] >= before && utf8.RuneCountInString(s[at[2]:at[3]]) < narrow {
				resized = at[0]
				return true
			}
		}
		return false
	}, p.done) {
		t.Fatalf("no line that fits %d columns was drawn after the resize:\n%q", narrow, p.err.String())
	}
	w.disc.Release()
	end := p.wait().is(exitDone)

	for _, at := range frame.FindAllStringSubmatchIndex(end.err, -1) {
		text, width := end.err[at[2]:at[3]], wide
		if at[0] >= resized {
			width = narrow
		}
		if n := utf8.RuneCountInString(text); n >= width {
			t.Errorf("%q has %d columns; want less than %d", text, n, width)
		}
		if !strings.HasPrefix(text, "Round 0") {
			t.Errorf("drawn was %q; want a sentence that begins with the round", text)
		}
	}
	s := screen{width: wide}
	err := s.show(end.err[:resized])
	if err == nil {
		s.resize(narrow)
		err = s.show(end.err[resized:])
	}
	if err != nil {
		t.Errorf("on the terminal: %v", err)
	}
	if strings.Contains(s.String(), "Round 0") || strings.Contains(s.String(), "trying") {
		t.Errorf("the progress line, or a piece of it, stands on the terminal in the end:\n%s", s.String())
	}
	if words := strings.Join(strings.Fields(s.String()), " "); !strings.Contains(words, "All 2,048 sectors are in the image") {
		t.Errorf("the terminal shows:\n%s\nwant that all sectors are in the image", s.String())
	}
}

// A change of the window's size alone redraws the line: nothing else does here.
func TestResizeRedraws(t *testing.T) {
	hand, screen, err := pty.Open()
	if err != nil {
		lacking(t, "no pseudo-terminal: %v", err)
	}
	defer hand.Close()
	defer screen.Close()
	var seen safeBuffer
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := hand.Read(buf)
			seen.Write(buf[:n])
			if err != nil {
				return
			}
		}
	}()
	resize := func(columns uint16) {
		t.Helper()
		if err := pty.Setsize(hand, &pty.Winsize{Rows: 24, Cols: columns}); err != nil {
			t.Fatal(err)
		}
	}
	// never is closed by nobody: await has its own end.
	never := make(chan struct{})
	resize(60)
	line := newTerminal(screen)
	line.Progress(imager.Progress{Time: time.Unix(1_000_000, 0), Missing: 31_337, Doing: "block by block around a failed one",
		At: sector.Span(123_456, 16)})
	if !seen.await("Round 0, sector 123,456", never) {
		t.Fatalf("Progress() drew %q", seen.String())
	}
	for _, columns := range []uint16{30, 120, 2} {
		before := len(seen.String())
		resize(columns)
		if err := syscall.Kill(os.Getpid(), syscall.SIGWINCH); err != nil {
			t.Fatal(err)
		}
		var text string
		if !seen.awaitThat(func(s string) bool {
			m := frame.FindStringSubmatch(s[before:])
			if m != nil {
				text = m[1]
			}
			return m != nil
		}, never) {
			t.Fatalf("a window of %d columns: nothing was drawn", columns)
		}
		if n := utf8.RuneCountInString(text); n >= int(columns) || columns == 120 && !strings.Contains(text, "around a failed one; 31,337 missing") {
			t.Errorf("in %d columns %q was drawn, %d columns long", columns, text, n)
		}
	}
	line.close()
	if !seen.awaitThat(func(s string) bool { return strings.HasSuffix(s, "\r\x1b[K") }, never) {
		t.Errorf("after close() the line stands there still: %q", seen.String())
	}
}

// In a pipe there are no control codes, and stalls and failures are plain lines.
func TestNoControlCodesInAPipe(t *testing.T) {
	t.Parallel()
	w := newWitness(t, faultydisc.Options{Sectors: 2048, Seed: 23})
	w.disc.Fail(sector.Span(100, 1), syscall.ENODATA, faultydisc.Always)
	w.disc.Delay(sector.Span(1000, 1), time.Hour, 1)
	end := turnstone(t, "read", w.dir, "--drive", w.disc.Device, "--stall", shortStall)
	end.is(exitMissing, "the drive did not answer")
	for _, r := range end.out + end.err {
		if r < ' ' && r != '\n' || r == 0x7f {
			t.Errorf("control code %#x in:\n%s%s", r, end.out, end.err)
			break
		}
	}
	w.disc.Release()
}

// The table of a folder of cases stands as a table where it fits, and on a narrower
// terminal each case is a paragraph of lines that do.
func TestCasesOnATerminal(t *testing.T) {
	t.Parallel()
	shop := t.TempDir()
	for _, name := range []string{"anna-wedding-and-christening", "bert"} {
		turnstone(t, "read", filepath.Join(shop, name), "--drive", discFile(t, 512), "--only", "0-99").is(exitMissing)
	}
	for _, c := range []struct {
		columns uint16
		want    []string // lines
	}{
		{200, []string{
			"Case                          In the image         Whole       Last round        Next",
			"anna-wedding-and-christening  19.5 %, 412 missing  none known  0, as it came in  Read on before anything is done to the surface",
			"bert                          19.5 %, 412 missing  none known  0, as it came in  Read on before anything is done to the surface",
		}},
		{40, []string{
			"anna-wedding-and-christening", "  In the image: 19.5 %, 412 missing", "  Whole: none known", "  Last round: 0, as it came in",
			"  Next: Read on before anything is done", "  to the surface", "bert",
		}},
	} {
		out := strings.ReplaceAll(atTerminal(t, c.columns, "status", shop).wait().is(exitDone).err, "\r\n", "\n")
		if !strings.HasPrefix(out, strings.Join(c.want, "\n")+"\n") {
			t.Errorf("on %d columns status says\n%s\nwant it to begin\n%s", c.columns, out, strings.Join(c.want, "\n"))
		}
		for line := range strings.Lines(out) {
			if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > int(c.columns) {
				t.Errorf("on %d columns %q has %d", c.columns, line, n)
			}
		}
	}
}
