package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/imager/volume/tree"
)

var filesCommand = command{
	name:    "files",
	args:    "CASE",
	summary: "the disc's files, and how whole they are",
	about: `
Lists what the file systems in the image tell: each file with its size and how much of
it there is, and what of the file systems themselves is missing or wrong, with what
stands in for it. Whole means that every byte is in the image and certain; damaged, that
bytes are missing; unknown, that what tells where it is, or where it ends, is missing;
disputed, that two sources gave bytes of it differently. It works while a pass runs.

Of films it tells the play time that is lost, and where: of a DVD-Video by title. Where
directories are missing it looks for films and other files by their content, and lists
them apart; --found does so where none is missing, too.

Where a drive has read of this surface and was not asked for all of it yet, it tells what
an hour more should bring of each file, as a range, from the plan of the pass.

--peek DIR cuts clips of 10 s at a quarter, half and three quarters of each film, without
decoding them, to tell which film is which. --watch FILE cuts clips around the gaps, where
rounds join, and samples, and lists them in a playlist (XSPF) that players open: nothing
is handed over that nobody has watched. --watched yes or no notes that somebody did.

--sums writes the SHA-256 of the whole files into the case's folder files, in the form
that sha256sum -c takes; check --files compares with it later.`,
	example: "turnstone files anna-wedding\nturnstone files anna-wedding --watch anna.xspf",
	setup:   setupFiles,
}

func setupFiles(f *pflag.FlagSet) action {
	sums := f.Bool("sums", false, "write the SHA-256 of the whole files into the case")
	find := f.Bool("found", false, "look by content where no directory is missing, too")
	var w watching
	f.StringVar(&w.peek, "peek", "", "cut a few clips of each film into the folder `DIR`")
	f.StringVar(&w.watch, "watch", "", "cut clips of what is worth watching, and list them in the playlist `FILE`")
	f.StringVar(&w.watched, "watched", "", "note that somebody watched, and whether it can be handed over so: `yes|no`")
	f.StringVar(&w.by, "by", "", "who watched: a `NAME`")
	asJSON := f.Bool("json", false, "one JSON document")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		if err := w.check(*sums || *find || *asJSON); err != nil {
			return err
		}
		if w.asked() {
			return w.do(dir, s)
		}
		return listFiles(dir, *sums, *find, *asJSON, s)
	}
}

func listFiles(dir string, sums, find, asJSON bool, s streams) (err error) {
	files, err := imager.OpenFiles(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, files.Close()) }()
	ctx, stop := untilInterrupted(s.Err)
	defer stop()
	if find || files.Lost() {
		if err := findByContent(ctx, files, s); err != nil {
			return interruptedBy(ctx, err, "nothing was listed", s)
		}
	}
	films, err := files.Films()
	if err != nil {
		return err
	}
	var made []imager.FileSum
	if sums {
		if made, err = sumFiles(ctx, files, dir); err != nil {
			return interruptedBy(ctx, err, "no sums were written", s)
		}
	}
	if asJSON {
		if err := filesDocument(s.Out, files, films, made); err != nil {
			return err
		}
		rottenFound(files, dir, s)
		return nil
	}
	var text strings.Builder
	filesText(&text, files, films)
	tell(s.Out, "%s", text.String())
	if sums {
		tell(s.Out, "\nThe sums of %s are in %s\n", filesInWords(len(made), "whole file"), imager.SumsPath(dir))
	}
	rottenFound(files, dir, s)
	return nil
}

// findByContent looks for files in what no directory tells of, and says how far it is.
func findByContent(ctx context.Context, files *imager.Files, s streams) error {
	line := newExtractLine(s.Err)
	defer line.wipe()
	return files.FindByContent(ctx, func(done, all int64) { line.tell(done, all, "looked through for files") })
}

// sumFiles writes the sums of the whole files into the case.
func sumFiles(ctx context.Context, files *imager.Files, dir string) ([]imager.FileSum, error) {
	sums := []imager.FileSum{}
	for x := range files.All() {
		sum, ok, err := files.Sum(ctx, x)
		if err != nil {
			return nil, err
		}
		if ok {
			sums = append(sums, imager.FileSum{Path: x.Path(), Sum: sum})
		}
	}
	return sums, imager.WriteSums(dir, sums)
}

// interruptedBy says that the user ended the command, where that is what an error
// means.
func interruptedBy(ctx context.Context, err error, what string, s streams) error {
	if ctx.Err() == nil {
		return err
	}
	tell(s.Err, "turnstone: interrupted; %s\n", what)
	return codeError(exitMissing)
}

// rottenFound says that good sectors were not as they came, if any were not.
func rottenFound(files *imager.Files, dir string, s streams) bool {
	rotten := files.Rotten()
	n := rotten.Count()
	if n == 0 {
		return false
	}
	first, _ := rotten.Next(0)
	tell(s.Err, "turnstone: %s of the image %s not as %s came, sector %d for one; they count as missing here. Take them back, so that they are read anew: turnstone check --deep %s\n",
		sectors(n), be(n), they(n), first.First, shellWord(dir))
	return true
}

// filesText is what the disc holds, for people.
func filesText(w io.Writer, files *imager.Files, films []imager.Film) {
	v := files.Volume
	if v.Root == nil {
		fmt.Fprintln(w, "No file system is known in the image.")
		foundText(w, files, films)
		problemsText(w, files)
		return
	}
	var all imager.Tally
	for x := range files.All() {
		all.Add(x)
	}
	fmt.Fprintf(w, "%s\n", tallyInWords(all))
	wantedLine(w, files)
	for _, t := range v.Systems {
		fmt.Fprintf(w, "%s\n", systemInWords(t))
	}
	if v.Root.State != 0 {
		fmt.Fprintf(w, "The root is not listed in full: %s.\n", v.Root.Why)
	}
	fmt.Fprintln(w)
	for x := range files.All() {
		depth := 0
		for p := x.Parent; p.Parent != nil && depth < mostIndent; p = p.Parent {
			depth++
		}
		fmt.Fprintf(w, "%s%s\n", strings.Repeat("  ", depth), fileLine(files, x)+lostInWords(films, x))
	}
	filmsText(w, films)
	hourText(w, files)
	foundText(w, files, films)
	problemsText(w, files)
}

// wantedLine says how many of the wanted files are whole, where not all of the disc is
// wanted.
func wantedLine(w io.Writer, files *imager.Files) {
	if !files.Choosy() {
		return
	}
	wanted, err := files.WantedFiles()
	if err != nil {
		return // the names were good when they were said
	}
	var all imager.Tally
	for x := range files.All() {
		if wanted[x.Entry] {
			all.Add(x)
		}
	}
	fmt.Fprintf(w, "Wanted files: %s The rest is not asked for.\n", tallyInWords(all))
}

// mostIndent is how deep a listing is indented.
const mostIndent = 20

// problemsText is what is wrong with the file systems.
func problemsText(w io.Writer, files *imager.Files) {
	v := files.Volume
	if len(v.Problems) > 0 {
		fmt.Fprintf(w, "\nOf the file systems themselves:\n")
	}
	for _, p := range v.Problems {
		fmt.Fprintf(w, "  %s\n", shown(p.String()))
	}
	if v.MoreProblems > 0 {
		fmt.Fprintf(w, "  and %s more\n", sector.Thousands(int64(v.MoreProblems)))
	}
	if n := v.Structures.Needed.Count(); n > 0 {
		fmt.Fprintf(w, "\n%s that would tell more %s missing, and nothing stands in for %s.\n", sectors(n), be(n), them(n))
	}
}

// fileDoc is a file in the document of files --json.
type fileDoc struct {
	Path     string     `json:"path"`
	Kind     string     `json:"kind"` // file, folder, link, other
	State    string     `json:"state"`
	Size     *int64     `json:"size"` // bytes; null where it is not known
	Missing  int64      `json:"missing_bytes"`
	Gaps     [][2]int64 `json:"missing"` // the first byte and how many
	Disputed int64      `json:"disputed_sectors"`
	Why      string     `json:"why"`      // it is unknown, or listed in part
	Modified string     `json:"modified"` // RFC 3339; "" where it is not recorded
	Target   string     `json:"target,omitempty"`
	Sectors  []string   `json:"sectors"` // first+count
	From     string     `json:"from"`    // the file system that tells of it
	In       string     `json:"in"`      // those that list it
	StandsIn bool       `json:"stands_in"`
	Name     string     `json:"name"` // how it is known: listed, short, path table, made up, by content
	SHA256   string     `json:"sha256,omitempty"`
}

// systemDoc is a file system in the document of files --json.
type systemDoc struct {
	Kind    string `json:"kind"`
	Version string `json:"version"`
	Label   string `json:"label"`
	Session int64  `json:"session"`
	Created string `json:"created"`
	Doubt   string `json:"doubt"`
	Spare   bool   `json:"spare"`
}

// problemDoc is a problem in the document of files --json.
type problemDoc struct {
	Sectors string `json:"sectors"` // first+count; "" where it is at no one place
	What    string `json:"what"`
	By      string `json:"by"` // what stands in for it
	Missing bool   `json:"missing"`
}

// filesDocument writes the document of files --json. It is written file by file, for
// a disc may have many.
func filesDocument(out io.Writer, files *imager.Files, films []imager.Film, sums []imager.FileSum) error {
	v := files.Volume
	w := bufio.NewWriter(out)
	field := func(name string, value any, tail string) error {
		b, err := json.Marshal(value)
		if err == nil {
			fmt.Fprintf(w, "  %q: %s%s\n", name, b, tail)
		}
		return err
	}
	systems, problems := []systemDoc{}, []problemDoc{}
	for _, t := range v.Systems {
		systems = append(systems, systemDoc{t.Kind.String(), t.Version, t.Label, int64(t.Session), timeDoc(t.Created), t.Doubt, t.Spare})
	}
	for _, p := range v.Problems {
		d := problemDoc{What: p.What, By: p.By, Missing: p.Missing}
		if !p.Sectors.Empty() {
			d.Sectors = p.Sectors.String()
		}
		problems = append(problems, d)
	}
	var all imager.Tally
	for x := range files.All() {
		all.Add(x)
	}
	fmt.Fprintln(w, "{")
	err := errors.Join(
		field("tally", all, ","), field("systems", systems, ","),
		field("cut", v.Cut, ","), field("problems", problems, ","), field("more_problems", v.MoreProblems, ","),
		field("needed", rangesDoc(v.Structures.Needed), ","), field("spare", rangesDoc(v.Structures.Spare), ","))
	fmt.Fprintf(w, "  %q: [", "files")
	tail := "\n"
	for x := range files.All() {
		d := docOf(files, x)
		// Sums are in the order of the files; two may have one path.
		if len(sums) > 0 && x.Kind == tree.Regular && sums[0].Path == d.Path && x.State == imager.FileWhole {
			d.SHA256 = fmt.Sprintf("%x", sums[0].Sum)
			sums = sums[1:]
		}
		b, jerr := json.Marshal(d)
		err = errors.Join(err, jerr)
		fmt.Fprintf(w, "%s    %s", tail, b)
		tail = ",\n"
	}
	fmt.Fprint(w, "\n  ],\n")
	found, told := []fileDoc{}, []filmDoc{}
	for x := range files.Found() {
		d := docOf(files, x)
		d.From, d.Name = "", "by content"
		found = append(found, d)
	}
	for _, x := range films {
		told = append(told, filmDocOf(x))
	}
	err = errors.Join(err, field("films", told, ","), field("found_by_content", found, ","), field("cut_off", files.CutOff(), ","),
		field("not_asked_yet", unaskedDocs(files), ""))
	fmt.Fprintln(w, "}")
	return errors.Join(err, w.Flush())
}

func docOf(files *imager.Files, x imager.File) fileDoc {
	d := fileDoc{Path: x.Path(), Kind: kindWords[x.Kind], State: x.State.String(), Missing: x.MissingBytes, Gaps: [][2]int64{},
		Disputed: x.Disputed, Why: x.Why, Modified: timeDoc(x.Modified), Target: x.Target,
		From: x.From.String(), In: x.In.String(), StandsIn: x.StandsIn, Name: foundWords[x.Found]}
	if x.Size != tree.UnknownSize {
		size := x.Size
		d.Size = &size
	}
	for gap := range files.Missing(x) {
		d.Gaps = append(d.Gaps, [2]int64{gap.First, gap.End - gap.First})
	}
	d.Sectors = rangesDoc(x.Sectors())
	return d
}

// kindWords and foundWords are words of the document, by kind and by how a name became
// known.
var (
	kindWords  = [...]string{tree.Regular: "file", tree.Folder: "folder", tree.Link: "link", tree.Other: "other"}
	foundWords = [...]string{tree.Listed: "listed", tree.ShortName: "short", tree.PathTable: "path table", tree.OwnRecord: "made up"}
)

// rangesDoc is a set in a document.
func rangesDoc(set sector.Set) []string {
	out := []string{}
	for r := range set.Runs() {
		out = append(out, r.String())
	}
	return out
}

func timeDoc(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339)
}
