package bench

import (
	"context"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/imager"
	"turnstone/mapfile"
)

// A question waits for its answer, the first one counts, and it ends with the pass.
func TestQuestionOnThePage(t *testing.T) {
	d := newDesk(plainWords{}, "/cases/anna")
	asked := func() *question {
		for {
			if _, _, _, _, q := d.now(); q != nil {
				return q
			}
			time.Sleep(time.Millisecond)
		}
	}
	for n, yes := range []bool{true, false} {
		got := make(chan bool)
		go func() { got <- d.allow(t.Context(), "logical unit reset") }()
		q := asked()
		if q.N != n+1 || !strings.Contains(q.Text, "logical unit reset") || !strings.Contains(q.Text, "fragile") {
			t.Errorf("question %d = %+v; want what would be done, and to what", n+1, q)
		}
		if d.answer(q.N-1, true) || d.answer(q.N+1, true) {
			t.Errorf("an answer to another question than %d is taken; want it refused", q.N)
		}
		if !d.answer(q.N, yes) {
			t.Errorf("answer(%d) = false; want true", q.N)
		}
		if allowed := <-got; allowed != yes {
			t.Errorf("allow = %v; want %v, as it was answered", allowed, yes)
		}
		if d.answer(q.N, true) {
			t.Errorf("a second answer to question %d is taken; want it refused", q.N)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	got := make(chan bool)
	go func() { got <- d.allow(ctx, "USB port reset") }()
	asked()
	cancel()
	if <-got {
		t.Error("allow of a pass that was ended = true; want false")
	}
}

// What is told of a pass names no folder, file of a disc or person.
func TestLinesAreNameless(t *testing.T) {
	d := newDesk(plainWords{}, "/cases/anna")
	d.Note("/cases/anna has 3 MB free")
	d.Event(mapfile.Event{Kind: imager.KindWanted, Text: "wedding.vob"})
	d.Event(mapfile.Event{Kind: imager.KindInspected, Text: "no crack, seen by Sam, Anna's disc"})
	d.Event(mapfile.Event{Kind: imager.KindStall, Text: "no answer"})
	_, _, _, lines, _ := d.now()
	if len(lines) != 4 {
		t.Fatalf("lines = %v; want 4", lines)
	}
	for _, l := range lines {
		for _, name := range []string{"anna", "Anna", "wedding", "Sam"} {
			if strings.Contains(l.Text, name) {
				t.Errorf("a line says %q; want no %q in it", l.Text, name)
			}
		}
	}
	for range 3 * mostLines {
		d.Note("more")
	}
	if _, _, _, lines, _ = d.now(); len(lines) != mostLines {
		t.Errorf("%d lines are kept; want %d", len(lines), mostLines)
	}
	for _, c := range []struct{ text, node, want string }{
		{"/home/anna/disc.json:A: no such round", "/home/anna/disc.json:A", "disc.json:A: no such round"},
		{"/dev/sr0: no disc", "/dev/sr0", "/dev/sr0: no disc"},
		{"all is well", "", "all is well"},
	} {
		if got := nodeless(c.text, c.node); got != c.want {
			t.Errorf("nodeless(%q, %q) = %q; want %q", c.text, c.node, got, c.want)
		}
	}
}

// The line says what is most in need of being seen.
func TestBigLine(t *testing.T) {
	for _, c := range []struct {
		p    imager.Progress
		t    Telling
		mm   float64
		want bigLine
	}{
		{imager.Progress{}, Telling{}, 0, bigLine{Now: "Reading", Next: "Next: nothing to do. It ends by itself."}},
		{imager.Progress{}, Telling{Rate: "9.8 MB/s", Left: "20 min"}, 31.4, bigLine{Now: "Reading at 31.4 mm, 9.8 MB/s", Next: "Next: nothing to do. About 20 min left."}},
		{imager.Progress{Trying: 12 * time.Second}, Telling{Rate: "1 kB/s"}, 31.4, bigLine{Now: "Trying one place at 31.4 mm for 12 s", Next: "Next: nothing to do. It ends by itself."}},
		{imager.Progress{Reviving: device.Waiting, Trying: 65 * time.Second}, Telling{}, 0, bigLine{Now: "The drive gives no answer: waiting for 65 s", Next: "Next: nothing to do. It ends by itself."}},
	} {
		if got := reading(c.p, c.t, c.mm); got != c.want {
			t.Errorf("reading(%+v, %+v, %g) = %+v; want %+v", c.p, c.t, c.mm, got, c.want)
		}
	}
	for _, how := range []string{imager.HowComplete, imager.HowLittleLeft, imager.HowBudget, imager.HowInterrupted, imager.HowStalled,
		imager.HowGone, imager.HowOtherDisc, imager.HowError, imager.HowKilled} {
		if endedWords[how] == "" {
			t.Errorf("nothing is said of a pass that ended %q", how)
		}
	}
}
