package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// typedAndSeen is a command of a walk-through, and what it is said to answer.
type typedAndSeen struct{ typed, seen string }

// walkThrough takes the commands and their outputs out of a section of the
// README: in its blocks of code, a line that begins with "$ " is typed, and what
// follows is seen. Blocks without such a line are for the reader's machine.
func walkThrough(t *testing.T, heading string) (steps []typedAndSeen, preparation string) {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(b), "\n## "+heading+"\n")
	if !found {
		t.Fatalf("the README has no section %q", heading)
	}
	section, _, _ := strings.Cut(rest, "\n## ")
	for i, block := range strings.Split(section, "\n```\n") {
		if i%2 == 0 {
			continue // prose
		}
		if !strings.HasPrefix(block, "$ ") {
			preparation += block + "\n"
			continue
		}
		for line := range strings.SplitSeq(block, "\n") {
			if typed, ok := strings.CutPrefix(line, "$ "); ok {
				steps = append(steps, typedAndSeen{typed: typed})
			} else {
				steps[len(steps)-1].seen += line + "\n"
			}
		}
	}
	return steps, preparation
}

// Times and the names of cases are the only words that differ from run to run.
var (
	caseID    = regexp.MustCompile(`\bcase [A-Z2-7]{8}\b`)
	clockTime = regexp.MustCompile(`\b\d\d:\d\d:\d\d\b`)
	tookTime  = regexp.MustCompile(`(in|worked|\),) (under )?[\d.]+ s\b`)
)

// words are the words of a text, wherever its lines are broken, without times and
// the names of cases.
func words(text string) string {
	text = caseID.ReplaceAllString(strings.Join(strings.Fields(text), " "), "case NAME")
	return tookTime.ReplaceAllString(clockTime.ReplaceAllString(text, "TIME"), "$1 TIME")
}

// The README's first walk-through does what it says, word for word.
func TestWalkThrough(t *testing.T) {
	steps, preparation := walkThrough(t, "A first walk-through")
	for _, line := range []string{"turnstone demo --keep try\n", "cd try\n"} {
		if !strings.Contains(preparation, line) {
			t.Fatalf("the walk-through prepares %q; want %q", preparation, line)
		}
	}
	dir := t.TempDir()
	shell := func(in, line string) string {
		c := exec.Command("sh", "-c", line)
		c.Dir = in
		c.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "PATH="+filepath.Dir(program(t))+string(filepath.ListSeparator)+os.Getenv("PATH"))
		var out bytes.Buffer
		c.Stdout, c.Stderr = &out, &out
		if err := c.Run(); err != nil && c.ProcessState == nil {
			t.Fatal(err)
		}
		return out.String()
	}
	if out := shell(dir, "turnstone demo --keep try && echo; cd try && ls"); !strings.Contains(out, "disc.json\n") {
		t.Fatalf("the demo left nothing: %s", out)
	}
	commands := map[string]bool{}
	for _, s := range steps {
		out := shell(filepath.Join(dir, "try"), s.typed)
		if got, want := words(out), words(s.seen); got != want {
			t.Errorf("$ %s\n%s\nthe README says\n%s", s.typed, out, s.seen)
		}
		commands[strings.Fields(s.typed)[1]] = true
	}
	for _, name := range []string{"inspect", "read", "round", "status", "merge", "check"} {
		if !commands[name] {
			t.Errorf("the walk-through has no %s", name)
		}
	}
}

// The README names every command, and no other.
func TestReadmeNamesTheCommands(t *testing.T) {
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(b), "\n## Commands\n")
	section, _, _ := strings.Cut(rest, "\n## ")
	named := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `([a-z]+)").FindAllStringSubmatch(section, -1) {
		named[m[1]] = true
	}
	for _, c := range commands {
		if !named[c.name] {
			t.Errorf("the README's table of commands lacks %s", c.name)
		}
		delete(named, c.name)
	}
	for name := range named {
		t.Errorf("the README names the command %s; there is none", name)
	}
}
