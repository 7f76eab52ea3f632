package bench

import (
	"context"
	"strings"
	"sync"
	"time"

	"turnstone/device"
	"turnstone/imager"
	"turnstone/mapfile"
)

// desk is the page's side of a run: it keeps what is to be told of it until the painter
// comes by. The pass waits for nobody here, but where a question is asked.
type desk struct {
	speech Speech
	dir    string // of the case; not told
	tell   func(imager.Progress) Telling

	mu       sync.Mutex
	disc     mapfile.Disc // of the case, once the pass is ready
	last     imager.Progress
	telling  Telling
	lines    []line
	question *question
	asked    int // questions so far
}

// line is something that happened.
type line struct {
	At   time.Time `json:"at"`
	Text string    `json:"text"`
}

// question is one that only a person can answer: the pass waits.
type question struct {
	N      int    `json:"n"`
	Text   string `json:"text"`
	answer chan bool
}

// mostLines is how many of the last events are shown.
const mostLines = 40

func newDesk(s Speech, dir string) *desk { return &desk{speech: s, dir: dir, tell: s.Passing()} }

// Event implements imager.Listener.
func (d *desk) Event(e mapfile.Event) {
	if text := d.speech.Event(nameless(e)); text != "" {
		d.add(e.Time, text)
	}
}

// nameless is an event without names of files and people, and without notes.
func nameless(e mapfile.Event) mapfile.Event {
	switch e.Kind {
	case imager.KindWanted:
		e.Text = "what the customer needs was noted"
	case imager.KindInspected:
		e.Text = "what the eye saw was noted"
	case imager.KindAmended:
		e.Text = "what was noted of a round was corrected"
	}
	return e
}

// Note implements imager.Desk.
func (d *desk) Note(text string) { d.add(time.Time{}, text) }

func (d *desk) add(at time.Time, text string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.lines = appendLine(d.lines, line{at, pathless(text, d.dir)})
}

// appendLine adds one to the last that are shown.
func appendLine(all []line, l line) []line {
	all = append(all, l)
	return all[max(0, len(all)-mostLines):]
}

// pathless is a text without a case's folder in it.
func pathless(text, dir string) string {
	return strings.ReplaceAll(text, dir, "the case")
}

// nodeless is a text in which a drive that is a file is called by its name alone, without
// the folders that it lies in.
func nodeless(text, node string) string {
	if i := strings.LastIndex(node, "/"); i > 0 && !strings.HasPrefix(node, "/dev/") {
		return strings.ReplaceAll(text, node[:i+1], "")
	}
	return text
}

// Progress implements imager.Listener.
func (d *desk) Progress(p imager.Progress) {
	d.mu.Lock()
	defer d.mu.Unlock()
	// The sentence looks back for the rate, at no more moments than it needs.
	if p.Time.Sub(d.last.Time) >= redraw || p.Time.Before(d.last.Time) || p.Reviving != d.last.Reviving {
		d.telling = d.tell(p)
	}
	d.last = p
}

// redraw is how often, in the pass's own time, the sentence is said anew.
const redraw = 250 * time.Millisecond

// Ready implements imager.Desk.
func (d *desk) Ready(_ context.Context, c *imager.Case, _ device.Info, _ *imager.Reading) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.disc = c.Map().Disc()
	return nil
}

// allow asks on the page whether a step may be taken with a fragile disc.
func (d *desk) allow(ctx context.Context, step device.Step) bool {
	d.mu.Lock()
	d.asked++
	q := &question{N: d.asked, answer: make(chan bool, 1),
		Text: "The disc is recorded as fragile, and the drive gives no answer. Next would be: " + string(step) +
			". The drive may spin the disc up at any speed then. Do it?"}
	d.question = q
	d.mu.Unlock()
	defer func() {
		d.mu.Lock()
		d.question = nil
		d.mu.Unlock()
	}()
	select {
	case yes := <-q.answer:
		return yes
	case <-ctx.Done():
		return false
	}
}

// answer answers the question of a number; false where it is not asked any more.
func (d *desk) answer(n int, yes bool) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.question == nil || d.question.N != n {
		return false
	}
	select {
	case d.question.answer <- yes:
		return true
	default: // somebody was faster
		return false
	}
}

// now is what there is to tell.
func (d *desk) now() (p imager.Progress, t Telling, disc mapfile.Disc, lines []line, q *question) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.last, d.telling, d.disc, d.lines, d.question
}
