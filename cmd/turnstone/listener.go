package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"
	"unicode/utf8"

	"golang.org/x/sys/unix"

	"turnstone/imager"
	"turnstone/mapfile"
)

// closer is a listener that is told when the pass is over.
type closer interface {
	imager.Listener
	close()
}

// newListener shows a pass: as JSON lines, as one line redrawn in place where w
// is a terminal, else as plain lines, a few a minute.
func newListener(asJSON bool, w io.Writer) closer {
	if asJSON {
		return &jsonLines{enc: json.NewEncoder(w)}
	}
	if f, ok := w.(*os.File); ok && isTerminal(f) {
		return newTerminal(f)
	}
	return &plainLines{w: w}
}

// Rhythm of progress: a terminal is redrawn so often, a pipe gets a line so
// seldom.
const (
	redrawEvery = 250 * time.Millisecond
	lineEvery   = 20 * time.Second
)

// jsonLines writes every event, and progress once in a while, as JSON.
type jsonLines struct {
	enc  *json.Encoder
	last time.Time
}

// progressDoc is the JSON form of a Progress.
type progressDoc struct {
	Time      time.Time `json:"time"`
	Kind      string    `json:"kind"` // "progress"
	Pass      int       `json:"pass"`
	Round     int       `json:"round"`
	Good      int64     `json:"good"`
	Missing   int64     `json:"missing"`
	Left      int64     `json:"left"`
	Delivered int64     `json:"delivered_bytes"`
	Failed    int64     `json:"failed_reads"`
	Doing     string    `json:"doing,omitempty"`
	At        string    `json:"at,omitempty"`
	Trying    float64   `json:"trying_seconds"`
}

func (l *jsonLines) Event(e mapfile.Event) { l.enc.Encode(e) }

func (l *jsonLines) Progress(p imager.Progress) {
	if p.Time.Sub(l.last) < time.Second {
		return
	}
	l.last = p.Time
	d := progressDoc{Time: p.Time, Kind: "progress", Pass: p.Pass, Round: p.Round, Good: p.Good,
		Missing: p.Missing, Left: p.Left, Delivered: p.Delivered, Failed: p.Failed, Doing: p.Doing,
		Trying: p.Trying.Seconds()}
	if !p.At.Empty() {
		d.At = p.At.String()
	}
	l.enc.Encode(d)
}

func (l *jsonLines) close() {}

// plainLines is for pipes and files: no control codes.
type plainLines struct {
	w    io.Writer
	say  sentence
	last time.Time
}

func (l *plainLines) Event(e mapfile.Event) {
	if text := eventLine(e); text != "" {
		fmt.Fprintln(l.w, text)
	}
}

func (l *plainLines) Progress(p imager.Progress) {
	l.say.watch(p)
	if l.last.IsZero() {
		l.last = p.Time // the first line says something only after a while
	}
	if p.Time.Sub(l.last) >= lineEvery {
		l.last = p.Time
		fmt.Fprintln(l.w, l.say.of(p))
	}
}

func (l *plainLines) close() {}

// terminal redraws one line in place. Events are printed above it.
type terminal struct {
	mu     sync.Mutex
	f      *os.File
	say    sentence
	shown  imager.Progress
	drawn  int // columns of the line that stands on the screen, 0: none
	last   time.Time
	resize chan os.Signal
}

func newTerminal(f *os.File) *terminal {
	t := &terminal{f: f, resize: make(chan os.Signal, 1)}
	signal.Notify(t.resize, syscall.SIGWINCH)
	go func() {
		for range t.resize {
			t.mu.Lock()
			if t.drawn > 0 {
				t.draw()
			}
			t.mu.Unlock()
		}
	}()
	return t
}

func (t *terminal) Event(e mapfile.Event) {
	text := eventLine(e)
	if text == "" {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.wipe()
	fmt.Fprintln(t.f, fold(text, min(width(t.f), widest+1)-1))
}

func (t *terminal) Progress(p imager.Progress) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.say.watch(p)
	t.shown = p
	if p.Time.Sub(t.last) >= redrawEvery {
		t.last = p.Time
		t.draw()
	}
}

// draw writes the sentence over the line that stands there, cut to the width: a
// line that wraps can't be redrawn.
func (t *terminal) draw() {
	columns := width(t.f)
	t.back(columns)
	text := t.say.within(t.shown, columns-1)
	fmt.Fprintf(t.f, "\r%s\x1b[K", text)
	t.drawn = utf8.RuneCountInString(text)
}

// back goes to where the line begins that stands on the screen. A terminal that
// became narrower has broken the line, and the cursor stands in the last piece.
func (t *terminal) back(columns int) {
	if t.drawn > columns {
		fmt.Fprintf(t.f, "\x1b[%dA\r\x1b[J", (t.drawn-1)/columns)
	}
}

func (t *terminal) wipe() {
	if t.drawn > 0 {
		t.back(width(t.f))
		fmt.Fprint(t.f, "\r\x1b[K")
		t.drawn = 0
	}
}

func (t *terminal) close() {
	signal.Stop(t.resize)
	close(t.resize)
	t.mu.Lock()
	defer t.mu.Unlock()
	t.wipe()
}

func isTerminal(f *os.File) bool {
	_, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	return err == nil
}

// width is the terminal's width in columns, 80 where it does not tell.
func width(f *os.File) int {
	ws, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	if err != nil || ws.Col < 2 {
		return 80
	}
	return int(ws.Col)
}

// fit cuts text to at most n columns, at a word where there is one; the end of a
// sentence says less than its beginning.
func fit(text string, n int) string {
	r := []rune(text)
	if len(r) <= n {
		return text
	}
	if n < 4 {
		return string(r[:max(0, n)])
	}
	cut := n - 1
	for i := cut; i > cut*2/3; i-- {
		if r[i] == ' ' {
			cut = i
			break
		}
	}
	return string(r[:cut]) + "…"
}
