package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
)

var demoCommand = command{
	name:    "demo",
	summary: "the whole job on an invented disc, in a few seconds",
	about: `
Plays the whole job through, on a simulated disc with two simulated drives: the
commands that a technician would type, and what they answer. In
the end the image is compared with what the disc holds. Nothing is left behind,
unless --keep names a folder for it: what the disc holds, the scenario with its
drives, which read --drive takes like any other, and the case.`,
	example: "turnstone demo --keep try",
	setup:   setupDemo,
}

func setupDemo(f *pflag.FlagSet) action {
	keep := f.String("keep", "", "leave disc, drives and case in the folder `DIR`, which must be absent or empty")
	return func(args []string, s streams) error {
		if len(args) > 0 {
			return usagef("demo takes no case; it makes its own: %q is too much", args[0])
		}
		return demo(*keep, s)
	}
}

func demo(keep string, s streams) (err error) {
	// Each command has its own ear for Ctrl-C; this one ends the story.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer stop()
	dir, leave, err := demoFolder(keep)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, leave()) }()
	if err := makeDemoDisc(demoDiscName); err != nil {
		return err
	}
	if err := os.WriteFile(demoScenarioName, demoScenario, 0o600); err != nil {
		return err
	}
	remark(s.Out, "A simulated disc of %s sectors (%s) and two simulated drives, A and B: its scratches, what sanding and "+
		"polishing bring, and how long a drive takes are invented, so nothing here is advice for a real disc. Its time "+
		"is virtual: what takes minutes at a bench is over at once.", sector.Thousands(demoSectors), size(demoSectors))
	fmt.Fprintf(s.Out, "$ cd %s\n", shellWord(dir))
	for _, step := range demoStory {
		fmt.Fprintln(s.Out)
		remark(s.Out, "%s", step.say)
		fmt.Fprintf(s.Out, "$ turnstone %s\n", typed(step.command.name, step.args))
		code := report(step.command.execute(step.args, streams{strings.NewReader(""), s.Out, s.Err}), s)
		if ctx.Err() != nil {
			return errors.New("the demo was interrupted")
		}
		if code != step.code {
			return fmt.Errorf("the demo does not hold: exit code %d; want %d", code, step.code)
		}
		if err := proveDemo(demoCaseName, demoDiscName); err != nil {
			return fmt.Errorf("the demo does not hold: %w", err)
		}
	}
	sum, err := sameFile(filepath.Join(demoCaseName, "image.iso"), demoDiscName)
	if err != nil {
		return fmt.Errorf("the demo does not hold: %w", err)
	}
	fmt.Fprintln(s.Out)
	remark(s.Out, "The proof: the image and what the disc holds are the same %s, byte for byte (SHA-256 %x…). "+
		"After each command every sector that the map called good held the disc's bytes, and every other read as zeros.",
		size(demoSectors), sum[:8])
	if keep != "" {
		fmt.Fprint(s.Out, demoLeft(dir))
	}
	return nil
}

// demoFolder makes the folder that the demo plays in, and goes there. leave goes
// back, and takes the folder away unless it is to be kept.
func demoFolder(keep string) (dir string, leave func() error, err error) {
	back, err := os.Getwd()
	if err != nil {
		return "", nil, err
	}
	if keep == "" {
		dir, err = os.MkdirTemp("", "turnstone-demo-")
	} else {
		dir, err = emptyFolder(keep)
	}
	if err != nil {
		return "", nil, err
	}
	leave = func() error {
		err := os.Chdir(back)
		if keep == "" {
			err = errors.Join(err, os.RemoveAll(dir))
		}
		return err
	}
	if err := os.Chdir(dir); err != nil {
		return "", nil, errors.Join(err, leave())
	}
	return dir, leave, nil
}

// emptyFolder makes a folder, or takes an empty one that is there, and gives its
// absolute path.
func emptyFolder(dir string) (string, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	if err := os.Mkdir(dir, 0o700); err == nil {
		return dir, nil
	} else if !errors.Is(err, os.ErrExist) {
		return "", err
	}
	d, err := os.Open(dir)
	if err != nil {
		return "", err
	}
	defer d.Close()
	if _, err := d.Readdirnames(1); err == nil {
		return "", fmt.Errorf("%s is not empty; name a new folder", dir)
	} else if !errors.Is(err, io.EOF) {
		return "", err
	}
	return dir, nil
}

// remark writes a remark between the commands, folded, as a shell takes it for
// one.
func remark(w io.Writer, format string, args ...any) {
	n := 80
	if f, ok := w.(*os.File); ok && isTerminal(f) {
		n = min(width(f), widest)
	}
	text := fold(fmt.Sprintf(format, args...), n-3)
	fmt.Fprintf(w, "# %s\n", strings.ReplaceAll(text, "\n", "\n# "))
}

// typed is a command line as a person types it.
func typed(name string, args []string) string {
	words := []string{name}
	for _, a := range args {
		if strings.ContainsAny(a, " ,;") {
			a = `"` + a + `"`
		}
		words = append(words, a)
	}
	return strings.Join(words, " ")
}
