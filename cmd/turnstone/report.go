package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/spf13/pflag"

	"turnstone/imager"
	reports "turnstone/imager/report"
)

var reportCommand = command{
	name:    "report",
	args:    "CASE",
	summary: "pages to print or send: for the bench, for the customer",
	about: `
Writes two pages into the case's folder report, from the case alone: bench.html, with
everything, and customer.html, one sheet in plain words. Each is one file that loads
nothing, and prints on A4 and on Letter. --csv writes hours.csv as well, a line for each
round, for the invoice. --json prints the document behind the pages instead, with nothing
left out. It works while a pass runs, and when the case is discarded.

--sums reads the whole image once: the SHA-256 of image and whole files are kept in the
case, in the form that sha256sum -c takes, and stand on the bench's page.

The workshop's name, address and a note for the customers' pages come from a text: its
first line is the name, the lines after it up to an empty one the address, the rest the
note. It is workshop.txt in the folder turnstone of the user's settings
(~/.config/turnstone/workshop.txt, or as XDG_CONFIG_HOME says), or the one that
--letterhead names. Without it the page leaves room to write.`,
	example: "turnstone report anna-wedding --sums\nturnstone report anna-wedding --for customer --out handover --csv",
	setup:   setupReport,
}

// reportOptions are the options of report.
type reportOptions struct {
	whom       string
	out        string
	csv        bool
	json       bool
	sums       bool
	letterhead string
}

func setupReport(f *pflag.FlagSet) action {
	var o reportOptions
	f.StringVar(&o.whom, "for", "", "the page for `WHOM` only: bench or customer")
	f.StringVar(&o.out, "out", "", "write into the folder `DIR`")
	f.BoolVar(&o.csv, "csv", false, "write the hours for the invoice as well")
	f.BoolVar(&o.json, "json", false, "one JSON document instead of pages")
	f.BoolVar(&o.sums, "sums", false, "make the SHA-256 of the image and of the whole files first")
	f.StringVar(&o.letterhead, "letterhead", "", "the workshop's name, address and note are in `FILE`")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		switch {
		case o.whom != "" && o.whom != "bench" && o.whom != "customer":
			return usagef("--for %q: say bench or customer", o.whom)
		case o.json && (o.whom != "" || o.out != "" || o.csv):
			return usagef("--json prints the whole document: it goes with none of --for, --out and --csv")
		}
		return makeReport(dir, o, s)
	}
}

func makeReport(dir string, o reportOptions, s streams) error {
	head, err := letterhead(o.letterhead)
	if err != nil {
		return err
	}
	if o.sums {
		if err := makeSums(dir, s); err != nil {
			return err
		}
	}
	r, err := reportOf(dir, head)
	if err != nil {
		return err
	}
	if o.json {
		return r.JSON(s.Out)
	}
	out := o.out
	if out == "" {
		out = filepath.Join(dir, imager.ReportName)
	}
	var pages []outFile
	for _, p := range []struct {
		whom, name string
		write      func(io.Writer) error
	}{{"bench", "bench.html", r.Bench}, {"customer", "customer.html", r.Customer}} {
		if o.whom == "" || o.whom == p.whom {
			pages = append(pages, outFile{filepath.Join(out, p.name), p.write})
		}
	}
	if o.csv {
		pages = append(pages, outFile{filepath.Join(out, "hours.csv"), r.Hours})
	}
	if err := os.Mkdir(out, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	if err := writeAll(pages); err != nil {
		return err
	}
	for _, p := range pages {
		fmt.Fprintln(s.Out, p.path)
	}
	return nil
}

// reportOf is the report on a case.
func reportOf(dir string, head reports.Letterhead) (*reports.Report, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	watched, err := watchedOfReport(dir)
	if err != nil {
		return nil, err
	}
	return reports.Of(reports.Source{Dir: dir, Name: filepath.Base(abs), Program: programVersion(), Now: time.Now(), Letterhead: head,
		Films: filmsOfReport, Watched: watched})
}

// makeSums makes the sums of image and files, and keeps them in the case.
func makeSums(dir string, s streams) (err error) {
	ctx, stop := untilInterrupted(s.Err)
	defer stop()
	c, err := imager.Open(dir, writer())
	if err != nil {
		return err
	}
	_, err = c.SumImage(ctx, nil)
	// The files' sums may be made while others write.
	if err = errors.Join(err, c.Close()); err != nil {
		return interruptedBy(ctx, err, "no sums were written", s)
	}
	files, err := imager.OpenFiles(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, files.Close()) }()
	if files.Volume.Root == nil {
		return nil
	}
	if _, err := sumFiles(ctx, files, dir); err != nil {
		return interruptedBy(ctx, err, "no sums of files were written", s)
	}
	if rottenFound(files, dir, s) {
		return codeError(exitCheck)
	}
	return nil
}

// letterhead is what the workshop says on its pages: of the file that is named, or of
// the usual one if it is there.
func letterhead(file string) (reports.Letterhead, error) {
	named := file != ""
	if !named {
		settings, err := os.UserConfigDir()
		if err != nil {
			return reports.Letterhead{}, nil // there is no such place
		}
		file = filepath.Join(settings, "turnstone", "workshop.txt")
	}
	text, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) && !named {
		return reports.Letterhead{}, nil
	}
	if err != nil {
		return reports.Letterhead{}, err
	}
	head, err := reports.ParseLetterhead(text)
	if err != nil {
		return head, usagef("%s: %v", file, err)
	}
	return head, nil
}

// programVersion is this program and its version, as it was built.
func programVersion() string {
	name := "turnstone"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return name
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		name += " " + v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			name += ", revision " + s.Value[:min(len(s.Value), 12)]
		}
	}
	return name + ", " + info.GoVersion
}
