package report

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"turnstone/device/sector"
	"turnstone/imager"
)

// Customer writes the page for the customer: one file of HTML that fits one sheet of
// paper, A4 or Letter. The writer's error is returned, or that of a picture.
func (r *Report) Customer(w io.Writer) error {
	p := customerPage{page: page{r}, Lead: r.lead(), More: r.more(), CouldNot: r.couldNot(), NotTried: r.notTried(), Notes: r.notes()}
	p.Done, p.Resurfaced = r.done()
	p.Rows, p.Rest = r.rows(p.room())
	var err error
	if p.Pictures, p.Keys, err = r.beforeAndAfter(); err != nil {
		return err
	}
	return pages().ExecuteTemplate(w, "customer.html", p)
}

// customerPage is what the page shows, in the order of the page.
type customerPage struct {
	page
	Lead       string
	More       []string
	Rows       []fileRow
	Rest       string // what the rows leave out
	CouldNot   string
	NotTried   string
	Pictures   []drawing
	Keys       []keyRow
	Done       []string
	Resurfaced bool
	Notes      []note
}

type fileRow struct{ Name, Much, How string }

type note struct{ Head, Text string }

// How much of a kind fits on the page.
const (
	leastRows, mostRows = 3, 8
	mostName            = 44  // letters of a file's name
	mostHow             = 100 // letters of how it is
	mostDone            = 3   // treatments
	mostTreated         = 110 // letters of each
	mostCuts            = 2
)

// room is how many files there is room for beside the rest.
func (p customerPage) room() int {
	room := 11 - len(p.More) - len(p.Done) - len(p.Letterhead.Address)/2
	for _, n := range p.Letterhead.Note {
		room -= 1 + len(n)/130
	}
	return min(mostRows, max(leastRows, room))
}

// considered is what the page is about, of what is wanted: films, and files that belong to
// none.
func (r *Report) considered() (films []Film, others []FileFacts) {
	if r.Files == nil {
		return nil, nil
	}
	inFilm := map[string]bool{}
	for _, f := range r.Files.Films {
		if f.Wanted {
			films = append(films, f)
		}
		for _, p := range f.Paths {
			inFilm[p] = true
		}
	}
	for _, f := range r.Files.List {
		if f.Wanted && !inFilm[f.Path] {
			others = append(others, f)
		}
	}
	return films, others
}

// lead is the first sentence: how much was saved.
func (r *Report) lead() string {
	films, others := r.considered()
	switch {
	case r.Disc.Sectors == 0:
		return "No drive has recognised the disc yet: nothing was saved so far."
	case len(films) > 0:
		return filmsInWords(films)
	case len(others) > 0:
		return filesInWords(others, "file")
	case r.Standing.Missing() == 0:
		return fmt.Sprintf("All that is recorded on the disc was saved: %s.", amount(r.Standing.Good))
	}
	return fmt.Sprintf("%s of the %s that are recorded on the disc were saved (%s).",
		amount(r.Standing.Good), amount(r.Standing.Written), percent(r.Standing.Good, r.Standing.Written))
}

// filesInWords is how many files are whole, and how much of them there is.
func filesInWords(files []FileFacts, what string) string {
	var t imager.Tally
	unknown := false
	for _, f := range files {
		t.Files++
		if f.Whole() {
			t.Whole++
		}
		if f.Size < 0 {
			unknown = true
			continue
		}
		t.Bytes += f.Size
		t.There += f.Size - f.Missing
	}
	n := int64(t.Files)
	switch {
	case t.Whole == t.Files && n == 1:
		return fmt.Sprintf("The one %s is whole (%s).", what, data(t.Bytes))
	case t.Whole == t.Files:
		return fmt.Sprintf("All %s are whole (%s).", some(n, what), data(t.Bytes))
	case unknown:
		return wholeOf(t.Whole, n, what) + ". Of some it is not known how large they are."
	}
	switch {
	case t.There == t.Bytes:
		return wholeOf(t.Whole, n, what) + "."
	case data(t.There) == data(t.Bytes):
		return fmt.Sprintf("%s; all but %s of %s were saved.", wholeOf(t.Whole, n, what), data(t.Bytes-t.There), data(t.Bytes))
	}
	return fmt.Sprintf("%s; %s of %s were saved.", wholeOf(t.Whole, n, what), data(t.There), data(t.Bytes))
}

// wholeOf begins a sentence on how many are whole: "None of 2 films is whole".
func wholeOf(whole int, n int64, what string) string {
	switch {
	case n == 1 && whole == 0:
		return fmt.Sprintf("The one %s is not whole", what)
	case whole == 0:
		return fmt.Sprintf("None of %s is whole", some(n, what))
	case whole == 1:
		return fmt.Sprintf("1 of %s is whole", some(n, what))
	}
	return fmt.Sprintf("%s of %s are whole", sector.Thousands(int64(whole)), some(n, what))
}

func are(what string, n int64) string {
	if n == 1 {
		return what + " is"
	}
	return what + " are"
}

// more is what belongs to the lead.
func (r *Report) more() (s []string) {
	films, others := r.considered()
	if len(films) > 0 && len(others) > 0 {
		s = append(s, "Besides: "+filesInWords(others, "other file"))
	}
	if r.Wanted != nil {
		s = append(s, "This is about what you asked for; the rest of the disc was read only as far as that needed.")
	}
	switch {
	case r.Closing.Gone():
		s = append(s, fmt.Sprintf("Our copy was deleted on %s; this page tells what was saved until then.", r.day(r.Closing.At)))
	case !r.lists() && r.Disc.Sectors > 0 && r.Files != nil:
		s = append(s, "No list of files was found on the disc: these films were found by their content.")
	case !r.lists() && r.Disc.Sectors > 0:
		s = append(s, "No list of files was found on the disc: what was saved is its raw content.")
	case r.lists() && r.Files.Needed > 0:
		s = append(s, "A part of the disc's own lists of files could not be read: there may have been more files.")
	}
	if f := r.FormTwo; f != nil {
		s = append(s, fmt.Sprintf("The films of this Video CD lie beside the image: %s of %s of them were saved.", data(f.Good*formTwoBytes), data(f.Sectors*formTwoBytes)))
	}
	if r.Standing.Conflicts > 0 {
		s = append(s, fmt.Sprintf("In %s two readings differ; the first is kept.", some(r.Standing.Conflicts, "sector")))
	}
	if r.Running {
		s = append(s, "The disc is being worked on while this page is made: it tells how it stood at that moment.")
	}
	return s
}

// piece is a film or a file, for a line.
type piece struct {
	fileRow
	whole   bool
	missing int64
}

// rows is a line for each of so many films and files: films first, in their order if all
// have room; of the rest those that are not whole.
func (r *Report) rows(most int) (rows []fileRow, rest string) {
	films, others := r.considered()
	var all []piece
	for _, f := range films {
		all = append(all, piece{r.filmRow(f), f.Whole(), f.Missing})
	}
	if len(all) > most {
		slices.SortStableFunc(all, worse)
	}
	var files []piece
	for _, f := range others {
		files = append(files, piece{r.row(f), f.Whole(), f.Missing})
	}
	slices.SortStableFunc(files, worse)
	all = append(all, files...)
	left, broken := 0, 0
	for i, p := range all {
		if i < most {
			rows = append(rows, p.fileRow)
			continue
		}
		left++
		if !p.whole {
			broken++
		}
	}
	what := some(int64(left), "more")
	if left > 1 {
		what = sector.Thousands(int64(left)) + " more"
	}
	switch {
	case left == 0:
	case broken == 0:
		rest = fmt.Sprintf("and %s, whole", what)
	default:
		rest = fmt.Sprintf("and %s, of which %s not whole", what, are(sector.Thousands(int64(broken)), int64(broken)))
	}
	return rows, rest
}

// worse compares two pieces: what lacks more comes first, films in their order.
func worse(a, b piece) int {
	return cmp.Or(order(a.whole, b.whole), cmp.Compare(b.missing, a.missing))
}

func (r *Report) filmRow(f Film) fileRow {
	name := f.Name
	if len(f.Paths) > 0 && !strings.HasSuffix(f.Paths[0], f.Name) {
		name += ", " + f.Paths[0]
	} else if len(f.Paths) > 0 {
		name = f.Paths[0]
	}
	row := fileRow{Name: tail(shown(name), mostName), How: "whole"}
	if f.Timed {
		row.Much = f.LengthInWords()
	}
	row.say(f.State, f.lacks(), f.Found)
	r.watchedRow(&row, f.Paths)
	return row
}

func (r *Report) row(f FileFacts) fileRow {
	row := fileRow{Name: tail(shown(f.Path), mostName), How: "whole"}
	if f.Size >= 0 {
		row.Much = data(f.Size)
	}
	lacks := ""
	if f.Missing > 0 {
		lacks = data(f.Missing) + " missing"
	}
	if f.Places > 1 {
		lacks += ", in " + some(int64(f.Places), "place")
	}
	row.say(f.State, lacks, f.Made)
	r.watchedRow(&row, []string{f.Path})
	return row
}

// say puts the state of a film or file into plain words.
func (row *fileRow) say(state, lacks string, nameless bool) {
	switch state {
	case imager.FileDamaged.String():
		row.How = cmp.Or(lacks, "not whole")
	case imager.FileUnknown.String():
		row.How = "not certain to be complete: what tells where it lies is missing"
		if lacks != "" {
			row.How = lacks + "; " + row.How
		}
	case imager.FileDisputed.String():
		row.How = "complete, but two readings of it differ"
	}
	if nameless {
		row.How += "; found without its name"
	}
	row.How = head(row.How, mostHow)
}

// watchedRow says how the last who watched it found it.
func (r *Report) watchedRow(row *fileRow, paths []string) {
	for _, w := range slices.Backward(r.Watched) {
		if slices.Contains(paths, w.Path) {
			row.How += "; watched: " + playsWell(w)
			return
		}
	}
}

func playsWell(w Watch) string {
	if w.Well {
		return "it plays well"
	}
	return "it does not play well"
}

// done is what was done to the surface, and whether something was taken off it.
func (r *Report) done() (lines []string, resurfaced bool) {
	for _, round := range r.Rounds {
		var typed []string
		for _, t := range round.Treatments {
			typed = append(typed, shown(t.Typed))
			resurfaced = resurfaced || t.Word == imager.Sand || t.Word == imager.Polish
		}
		if len(typed) > 0 {
			lines = append(lines, head(r.day(round.Opened)+": "+strings.Join(typed, "; "), mostTreated))
		}
	}
	if n := len(lines) - mostDone; n > 0 {
		lines = append(lines[:mostDone], fmt.Sprintf("and %s", some(int64(n), "more treatment")))
	}
	return lines, resurfaced
}

// AnyFilm tells whether a row tells of a film.
func (p customerPage) AnyFilm() bool {
	films, _ := p.considered()
	return len(films) > 0
}

// Before tells whether there are pictures of two moments.
func (p customerPage) Before() bool { return len(p.Rounds) > 1 }

// Strips tells whether the pictures are strips over addresses.
func (p customerPage) Strips() bool { return imager.RadiiOf(p.m.Disc()) == nil }

// Many tells whether the pictures are more than two.
func (p customerPage) Many() bool { return len(p.Pictures) > 2 }
