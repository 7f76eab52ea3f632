package main

import (
	"bytes"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// What can't be undone is asked about, where a person can answer.
func TestRoundAsksFirst(t *testing.T) {
	t.Parallel()
	disc := discFile(t, 2048)
	for _, c := range []struct {
		name     string
		read     []string // beside the drive
		treat    string
		question string // "" where none is put
		answer   string
		opened   bool
	}{
		{"half unread, Enter", []string{"--only", "0-1023"}, "sand 2000", "50 % was not asked for yet. Sanding can't be undone. Read first? [Y/n]", "\n", false},
		{"half unread, yes", []string{"--only", "0-1023"}, "sand 2000", "Read first? [Y/n]", "y\n", false},
		{"half unread, no", []string{"--only", "0-1023"}, "sand 2000", "Read first? [Y/n]", "no\n", true},
		{"half unread, end of input", []string{"--only", "0-1023"}, "sand 2000", "Read first? [Y/n]", "\x04", false},
		{"half unread, polish", []string{"--only", "0-1023"}, "polish fine", "", "", true},
		{"all read", nil, "sand 2000", "", "", true},
		{"a Blu-ray, Enter", []string{"--kind", "bd"}, "polish fine", "never sanded or polished. Was it done already? [y/N]", "\n", false},
		{"a Blu-ray, yes", []string{"--kind", "bd"}, "sand 2000", "Was it done already? [y/N]", "Y\n", true},
		{"a Blu-ray, cleaned", []string{"--kind", "bd"}, "clean", "", "", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "case")
			turnstone(t, append([]string{"read", dir, "--drive", disc}, c.read...)...)
			p := atTerminal(t, 200, "round", dir, c.treat)
			if c.question != "" {
				p.saysFolded(c.question)
				p.types(c.answer)
			}
			p.wait().is(exitDone)
			if c.question == "" && strings.Contains(p.err.String(), "[") {
				t.Errorf("it said %q; want no question", p.err.String())
			}
			if opened := len(statusOf(t, dir).Rounds) == 2; opened != c.opened {
				t.Errorf("a round was opened: %v; want %v; it said %q", opened, c.opened, p.err.String())
			}
			if nothing := strings.Contains(p.err.String(), "No round was opened."); nothing == c.opened {
				t.Errorf("it said %q; want it to say whether a round was opened", p.err.String())
			}
		})
	}
}

// saysFolded waits for words, wherever the terminal's lines break.
func (p person) saysFolded(text string) {
	p.t.Helper()
	want := strings.Join(strings.Fields(text), " ")
	if !p.err.awaitThat(func(s string) bool { return strings.Contains(strings.Join(strings.Fields(s), " "), want) }, p.done) {
		p.t.Fatalf("turnstone %v did not say %q; it said:\n%s", p.cmd.Args[1:], text, p.err.String())
	}
}

// Where the disc was out of the drive since the last pass, read asks whether it
// was treated, and opens the round; where it stayed in, it does not.
func TestReadAsksWhetherTheDiscWasTreated(t *testing.T) {
	t.Parallel()
	disc := faultydisc.Options{Sectors: 1024, Seed: 31}
	w := newWitness(t, disc)
	bad := sector.Span(500, 4)
	w.disc.Fail(bad, syscall.ENODATA, faultydisc.Always)
	w.read().is(exitMissing)

	stayed := atTerminal(t, 100, "read", w.dir, "--drive", w.node)
	r := stayed.wait().is(exitMissing)
	if !strings.Contains(r.err, "Nothing new to ask") || strings.Contains(r.err, "out of the drive") {
		t.Errorf("the disc stayed in, and it said %q; want nothing new to ask, and no question", r.err)
	}

	w.insert(faultydisc.New(t, disc))
	w.disc.Fail(bad, syscall.ENODATA, faultydisc.Always)
	p := atTerminal(t, 100, "read", w.dir, "--drive", w.node)
	p.saysFolded("The disc was out of the drive since the last pass. What was done to it?")
	p.types("\n")
	p.wait().is(exitMissing)
	if rounds := statusOf(t, w.dir).Rounds; len(rounds) != 1 {
		t.Errorf("%d rounds; want no new one for nothing done", len(rounds))
	}

	w.insert(faultydisc.New(t, disc))
	p = atTerminal(t, 100, "read", w.dir, "--drive", w.node)
	p.saysFolded("What was done to it?")
	p.types("polsh fine\n")
	p.saysFolded("did you mean polish?")
	p.types("polish fine, 90 s\n")
	p.saysFolded("Round 1: polish fine, 90 s.")
	p.wait().is(exitDone)
	if rounds := statusOf(t, w.dir).Rounds; len(rounds) != 2 || rounds[1].Won != 4 {
		t.Errorf("rounds = %+v; want a second one that won the 4 sectors", rounds)
	}
	w.whole()
}

// The clock is doubted when it stands before the case's last entry.
func TestClockBeforeTheLastEntry(t *testing.T) {
	at := time.Date(2001, 2, 3, 4, 5, 0, 0, time.Local)
	m := mapfile.New("case")
	m.AddRound(mapfile.Round{Opened: at})
	drive := m.AddDrive(mapfile.Drive{Node: "/dev/invented"})
	if _, err := m.AddPass(mapfile.Pass{Drive: drive, Started: at, Ended: at.Add(time.Hour), How: imager.HowComplete}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		now   time.Time
		wrong bool
	}{{at.Add(-time.Hour), true}, {at.Add(30 * time.Minute), true}, {at.Add(time.Hour), false}, {at.Add(10 * 365 * 24 * time.Hour), false}} {
		var said bytes.Buffer
		warnOfClock(m, c.now, &said)
		if wrong := strings.Contains(said.String(), "the clock says "+c.now.Format("2006-01-02 15:04")+
			", and the case's last entry is of 2001-02-03 05:05"); wrong != c.wrong || !wrong && said.Len() > 0 {
			t.Errorf("warnOfClock(%v) said %q; want a warning: %v", c.now, said.String(), c.wrong)
		}
	}
}

// On a terminal prose is folded at its width, and commands are left whole.
func TestDemoOnATerminal(t *testing.T) {
	t.Parallel()
	const columns = 60
	p := atTerminal(t, columns, "demo")
	r := p.wait().is(exitDone)
	for line := range strings.SplitSeq(regexp.MustCompile(`\r[^\r\n]*\x1b\[K`).ReplaceAllString(r.err, ""), "\n") {
		line = strings.Trim(line, "\r")
		long := utf8.RuneCountInString(line) >= columns
		if command := strings.HasPrefix(strings.TrimLeft(line, "$ "), "turnstone "); long && !command {
			t.Errorf("the line %q has %d columns; want less than %d", line, utf8.RuneCountInString(line), columns)
		}
		if strings.ContainsAny(line, "\x1b") {
			t.Errorf("the line %q has a control code beside those of the progress", line)
		}
	}
	if !strings.Contains(r.err, "# The proof: ") {
		t.Errorf("the demo ended without its proof: %s", r.err)
	}
}
