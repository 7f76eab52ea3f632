package faultydisc

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/device/sector"
)

// tell carries out commands as they are typed.
func tell(t *testing.T, s *script, commands ...string) Report {
	t.Helper()
	var report Report
	for _, line := range commands {
		c, err := ParseCommand(line)
		if err == nil {
			report, err = s.do(c)
		}
		if err != nil {
			t.Fatalf("do(%q) = %v; want nil", line, err)
		}
	}
	return report
}

// ask is one request, as the log tells it; it also checks the data.
func ask(s *script, r sector.Range) string {
	buf := make([]byte, r.Bytes())
	errno := s.answer(r, buf)
	if errno == 0 && !bytes.Equal(buf, Pattern(s.content.seed, r)) {
		return r.String() + " other data"
	}
	return Request{Sectors: r, Errno: errno}.String()
}

func TestScriptAnswers(t *testing.T) {
	for _, test := range []struct {
		name   string
		script []string
		asked  []string // ranges
		want   []string
	}{
		{"no fault", nil,
			[]string{"0+16", "99"}, []string{"0+16 good", "99+1 good"}},
		{"a request fails with its one bad sector, and only then", []string{"fail 20+4"},
			[]string{"16+4", "16+5", "20", "23", "23+2", "24"},
			[]string{"16+4 good", "16+5 EIO", "20+1 EIO", "23+1 EIO", "23+2 EIO", "24+1 good"}},
		{"each sector counts its own times", []string{"fail 20+2 ENODATA 2"},
			[]string{"20", "20", "20", "21", "20+2", "20+2"},
			[]string{"20+1 ENODATA", "20+1 ENODATA", "20+1 good", "21+1 ENODATA", "20+2 ENODATA", "20+2 good"}},
		{"one request uses up all the sectors that it covers", []string{"fail 20+2 ENODATA 1"},
			[]string{"16+16", "20", "21"}, []string{"16+16 ENODATA", "20+1 good", "21+1 good"}},
		{"the failure set last decides", []string{"fail 0+100 EIO", "fail 50+10 ETIMEDOUT 1"},
			[]string{"49", "50", "50"}, []string{"49+1 EIO", "50+1 ETIMEDOUT", "50+1 EIO"}},
		{"gone is everywhere", []string{"fail 3 ENODATA", "gone"},
			[]string{"3", "99"}, []string{"3+1 ENODEV", "99+1 ENODEV"}},
		{"a drive that is gone answers at once", []string{"hang 3", "gone"},
			[]string{"3"}, []string{"3+1 ENODEV"}},
		{"heal ends everything", []string{"fail 3", "hang 4", "gone", "heal"},
			[]string{"3", "4", "5"}, []string{"3+1 good", "4+1 good", "5+1 good"}},
		{"release ends hangs and nothing else", []string{"fail 3", "hang 3+2", "release"},
			[]string{"3", "4"}, []string{"3+1 EIO", "4+1 good"}},
		{"reset leaves the script", []string{"fail 3 EIO 1", "reset"},
			[]string{"3", "3"}, []string{"3+1 EIO", "3+1 good"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := newScript(content{seed: 5}, 100)
			tell(t, s, test.script...)
			var got []string
			counts := make(Counts, 100)
			for _, asked := range test.asked {
				r, err := sector.ParseRange(asked)
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, ask(s, r))
				for a := r.First; a < r.End; a++ {
					counts[a]++
				}
			}
			if !slices.Equal(got, test.want) {
				t.Errorf("after %q the answers are %q; want %q", test.script, got, test.want)
			}
			var logged []string
			for _, req := range tell(t, s, "log").Requests {
				logged = append(logged, req.String())
			}
			if !slices.Equal(logged, test.want) {
				t.Errorf("log = %q; want %q", logged, test.want)
			}
			if got := tell(t, s, "counts").Counts; !slices.Equal(got, counts) {
				t.Errorf("counts = %v; want %v", got, counts)
			}
		})
	}
}

// What becomes of a request that waits, by the command that comes meanwhile.
func TestScriptWaiting(t *testing.T) {
	for _, test := range []struct {
		script    []string
		meanwhile string
		want      string
	}{
		{[]string{"hang 3"}, "release", "3+1 good"},
		{[]string{"hang 3"}, "heal", "3+1 good"},
		{[]string{"hang 3"}, "gone", "3+1 ENODEV"},
		{[]string{"hang 3", "fail 3 ENODATA"}, "release", "3+1 ENODATA"},
		{[]string{"hang 3", "fail 3 ENODATA"}, "heal", "3+1 good"},
		{[]string{"delay 3 1h"}, "release", "3+1 good"},
		{[]string{"delay 3 1h", "fail 3 EIO 1"}, "gone", "3+1 ENODEV"},
		{[]string{"delay 3 1h 1", "hang 3"}, "release", "3+1 good"},
	} {
		s := newScript(content{}, 100)
		tell(t, s, test.script...)
		answer := make(chan string)
		go func() { answer <- ask(s, sector.Span(3, 1)) }()
		tell(t, s, "await 1")
		if got := fmt.Sprint(tell(t, s, "log").Requests); got != "[3+1 waiting]" {
			t.Errorf("after %q the log of a waiting request is %s; want [3+1 waiting]", test.script, got)
		}
		if got := ask(s, sector.Span(4, 1)); got != "4+1 good" {
			t.Errorf("beside a waiting request the next answer is %q; want 4+1 good", got)
		}
		tell(t, s, test.meanwhile)
		if got := <-answer; got != test.want {
			t.Errorf("after %q and then %q the answer is %q; want %q", test.script, test.meanwhile, got, test.want)
		}
	}
}

// A delay ends by itself, counts its times, and the log says how long it took.
func TestScriptDelay(t *testing.T) {
	s := newScript(content{}, 100)
	tell(t, s, "delay 3 10ms 1", "delay 4 1h 1")
	for _, want := range []string{"3+1 good", "3+1 good"} {
		if got := ask(s, sector.Span(3, 1)); got != want {
			t.Errorf("answer = %q; want %q", got, want)
		}
	}
	if took := tell(t, s, "log").Requests[0].Took; took < 10*time.Millisecond {
		t.Errorf("a request with a delay of 10ms took %v", took)
	}
}

// A reset forgets a request that waits: its answer must not come into the new log.
func TestScriptResetWhileWaiting(t *testing.T) {
	s := newScript(content{}, 100)
	tell(t, s, "hang 3")
	answer := make(chan string)
	go func() { answer <- ask(s, sector.Span(3, 1)) }()
	tell(t, s, "await", "reset", "release")
	<-answer
	if report := tell(t, s, "log"); len(report.Requests) != 0 {
		t.Errorf("log after reset = %v; want none", report.Requests)
	}
	counts := tell(t, s, "counts").Counts
	if touched := counts.AtLeast(1); !touched.Empty() {
		t.Errorf("counts after reset = %v; want none", counts)
	}
}

// The abort's report holds all that was asked, and nothing waits any more.
func TestScriptAbort(t *testing.T) {
	s := newScript(content{}, 100)
	tell(t, s, "hang 3")
	ask(s, sector.Span(5, 2))
	go ask(s, sector.Span(3, 1)) // never returns: the kernel has answered for it
	tell(t, s, "await")
	awaited := make(chan error)
	go func() {
		_, err := s.do(Command{Do: Await, Times: 2})
		awaited <- err
	}()
	report := tell(t, s, "abort")
	if got := fmt.Sprint(report.Requests); got != "[5+2 good 3+1 EIO]" {
		t.Errorf("log at the abort = %s; want [5+2 good 3+1 EIO]", got)
	}
	if got := report.Counts[:8]; !slices.Equal(got, Counts{0, 0, 0, 1, 0, 1, 1, 0}) {
		t.Errorf("counts at the abort = %v; want 3, 5 and 6 once", got)
	}
	if err := <-awaited; err == nil {
		t.Error("await on an aborted disc = nil; want an error")
	}
}

// A backing file that is cut while it serves gives an I/O error, not zeros.
func TestScriptBackingCut(t *testing.T) {
	file := tempFile(t, Pattern(1, sector.Span(0, 4)))
	s := newScript(content{backing: file}, 8)
	for r, want := range map[sector.Range]syscall.Errno{
		sector.Span(0, 4): 0, sector.Span(3, 2): syscall.EIO, sector.Span(6, 1): syscall.EIO,
	} {
		if got := s.answer(r, make([]byte, r.Bytes())); got != want {
			t.Errorf("answer(%v) = %v; want %v", r, got, want)
		}
	}
}

func TestCommandRefused(t *testing.T) {
	for _, test := range []struct {
		c    Command
		want string
	}{
		{Command{}, "no command"},
		{Command{Do: "melt"}, `no command "melt"`},
		{Command{Do: Fail, Errno: syscall.EIO, Times: 1}, "not on a disc of 100 sectors"},
		{Command{Do: Fail, Sectors: sector.Span(99, 2), Errno: syscall.EIO, Times: 1}, "sectors 99+2 are not on"},
		{Command{Do: Hang, Sectors: sector.Span(-1, 2)}, "not on a disc"},
		{Command{Do: Fail, Sectors: sector.Span(9, 1), Errno: syscall.EIO}, "0 times is never"},
		{Command{Do: Fail, Sectors: sector.Span(9, 1), Errno: syscall.EIO, Times: -2}, "-2 times is never"},
		{Command{Do: Fail, Sectors: sector.Span(9, 1), Errno: syscall.ENOMEM, Times: 1}, "ENOMEM does not reach"},
		{Command{Do: Fail, Sectors: sector.Span(9, 1), Times: 1}, "errno 0 does not reach"},
		{Command{Do: Delay, Sectors: sector.Span(9, 1), Times: 1}, "a delay of 0s"},
		{Command{Do: Await}, "0 times is never"},
	} {
		_, err := newScript(content{}, 100).do(test.c)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("do(%+v) = %v; want %q", test.c, err, test.want)
		}
	}
}

func TestCounts(t *testing.T) {
	c := Counts{0, 0, 2, 2, 1, 1, 3, 0}
	var got []string
	for r, n := range c.Runs() {
		got = append(got, fmt.Sprint(r, n))
	}
	if want := []string{"0+2 0", "2+2 2", "4+2 1", "6+1 3", "7+1 0"}; !slices.Equal(got, want) {
		t.Errorf("Runs() = %q; want %q", got, want)
	}
	for n, want := range map[uint32]sector.Set{
		1: sector.Of(sector.Span(2, 5)),
		2: sector.Of(sector.Span(2, 2), sector.Span(6, 1)),
		4: {},
	} {
		if got := c.AtLeast(n); !got.Equal(&want) {
			t.Errorf("AtLeast(%d) = %v; want %v", n, got, want)
		}
	}
}
