package report

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// Bench writes the page for the bench: one file of HTML with everything that the case
// tells, but for the ends of very long lists, which the document has. The writer's error
// is returned, or that of a picture.
func (r *Report) Bench(w io.Writer) error {
	drawings, err := r.sheets()
	if err != nil {
		return err
	}
	return pages().ExecuteTemplate(w, "bench.html", benchPage{page{r}, drawings})
}

// How much of a list the page has; the document has all.
const (
	benchHoles  = 500
	benchFiles  = 1000
	benchEvents = 500
)

// benchPage is what the page asks for beside the report itself.
type benchPage struct {
	page
	Drawings []drawing
}

// ClosingInWords is how the case was ended.
func (p benchPage) ClosingInWords() string {
	c := p.Closing
	by := ""
	if c.By != "" {
		by = " by " + shown(c.By)
	}
	s := fmt.Sprintf("Closed %s%s.", p.moment(c.At), by)
	switch c.State {
	case mapfile.Discarded:
		s = fmt.Sprintf("Discarded %s%s: the image, its files and the names are deleted, and these are the figures. Deleted, not wiped: backups, snapshots and SSDs may keep it.", p.moment(c.At), by)
	case mapfile.Discarding:
		s = fmt.Sprintf("Its discarding was begun %s%s and not finished: what is left of image and files does not count.", p.moment(c.At), by)
	}
	if c.KeepUntil != "" {
		s += fmt.Sprintf(" To be kept until %s.", until(c.KeepUntil))
	}
	return s
}

// SeenInWords is what the eye saw.
func (p benchPage) SeenInWords() string {
	if p.Disc.Seen == nil {
		return "nothing noted"
	}
	return p.minute(p.Disc.Seen.At) + ": " + shown(imager.SeenInWords(*p.Disc.Seen))
}

// BenchTime is what was noted of a round's handwork.
func (r Round) BenchTime() string {
	if r.Noted && r.Bench == 0 {
		return ""
	}
	s := seconds(r.Bench)
	if !r.Noted {
		s += " and more"
		if r.Bench == 0 {
			s = "not noted"
		}
	}
	return s
}

// Measured is the disc's weight and thickness before the round.
func (r Round) Measured() string {
	var all []string
	if r.Grams > 0 {
		all = append(all, fmt.Sprintf("%.4g g", r.Grams))
	}
	if r.ThicknessMM > 0 {
		all = append(all, fmt.Sprintf("%.4g mm thick", r.ThicknessMM))
	}
	return strings.Join(all, ", ")
}

// MergesN is how many merges the round has.
func (r Round) MergesN() int64 { return int64(r.Merges) }

// Total is all rounds together.
func (r *Report) Total() Round {
	t := Round{Noted: true}
	for _, x := range r.Rounds {
		t.Won, t.Passes, t.Merges = t.Won+x.Won, t.Passes+x.Passes, t.Merges+x.Merges
		t.Drive, t.Bench, t.Noted = t.Drive+x.Drive, t.Bench+x.Bench, t.Noted && x.Noted
	}
	return t
}

// InWords is the settings, and what came by them.
func (s SettingFacts) InWords() string {
	var with []string
	if s.ReadRetryCount != nil {
		with = append(with, fmt.Sprintf("read retry count %d", *s.ReadRetryCount))
	}
	if s.SpeedKBps > 0 {
		with = append(with, sector.Thousands(int64(s.SpeedKBps))+" kB/s")
	}
	if len(with) == 0 {
		with = append(with, "the drive's own")
	}
	return fmt.Sprintf("%s: %s of %s came", strings.Join(with, ", "), sector.Thousands(s.Came), some(s.Asked, "sector"))
}

// PassList is the passes, in one line.
func (k ErrorKind) PassList() string {
	const most = 12
	passes := slices.Compact(slices.Sorted(slices.Values(k.Passes)))
	var all []string
	for i, n := range passes {
		if i == most {
			all = append(all, fmt.Sprintf("and %d more", len(passes)-most))
			break
		}
		all = append(all, fmt.Sprint(max(n, 0)))
	}
	return strings.Join(all, ", ")
}

// placeTable is what is missing by place and kind.
type placeTable struct {
	Head  string
	Kinds []string
	Rows  []placeRow
}

type placeRow struct {
	Where    string
	Kinds    []string
	NotTried string
}

// PlaceTable is what is missing by place and kind, in sectors.
func (p benchPage) PlaceTable() placeTable {
	places, kinds := p.Places()
	t := placeTable{Head: "Sectors"}
	for _, k := range kinds {
		t.Kinds = append(t.Kinds, kindInWords(k))
	}
	or := func(n int64) string {
		if n == 0 {
			return ""
		}
		return sector.Thousands(n)
	}
	for _, x := range places {
		row := placeRow{Where: fmt.Sprintf("%s to %s", sector.Thousands(int64(x.From)), sector.Thousands(int64(x.To)-1)), NotTried: or(x.NotTried)}
		if x.Radius {
			t.Head = "Radius"
			row.Where = fmt.Sprintf("%g to %g mm", x.From, x.To)
		}
		for _, n := range x.Kinds {
			row.Kinds = append(row.Kinds, or(n))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// SomeHoles is the first runs of what is missing.
func (p benchPage) SomeHoles() []Hole { return p.Missing[:min(len(p.Missing), benchHoles)] }

// kindInWords is the kind of an error that was not resolved.
func kindInWords(kind string) string {
	switch kind {
	case mapfile.Failed.String():
		return "read failed"
	case mapfile.Stalled.String():
		return "no answer"
	}
	return kind
}

// KindInWords is the kind of the run's error.
func (h Hole) KindInWords() string { return kindInWords(h.Kind) }

// Radius is where the run lies.
func (h Hole) Radius() string {
	switch {
	case h.ToMM == 0:
		return ""
	case h.ToMM-h.FromMM < 0.05:
		return fmt.Sprintf("%.1f mm", h.FromMM)
	}
	return fmt.Sprintf("%.1f to %.1f mm", h.FromMM, h.ToMM)
}

// MoreHoles says how many are left out; "" where none is.
func (p benchPage) MoreHoles() string { return leftOut(len(p.Missing)-benchHoles, "run", "missing") }

// TallyInWords says how many files are whole.
func (p benchPage) TallyInWords() string {
	if !p.lists() {
		return "No file system is known in the image; what is listed was found by its content."
	}
	var all []FileFacts
	for _, f := range p.Files.List {
		if f.Wanted {
			all = append(all, f)
		}
	}
	what := ""
	if p.Wanted != nil {
		what = "Wanted files: "
	}
	if len(all) == 0 {
		return what + "No files are listed."
	}
	return what + filesInWords(all, "file")
}

// SomeProblems is the first problems of the file systems.
func (p benchPage) SomeProblems() []string {
	const most = 20
	all := p.Files.Problems
	if len(all) <= most {
		return all
	}
	return append(slices.Clone(all[:most]), "and "+some(int64(len(all)-most), "more problem"))
}

// SomeFiles is the files: those that are not whole first, where not all have room.
func (p benchPage) SomeFiles() []FileFacts { return brokenFirst(p.Files.List, benchFiles) }

// order compares two truths: what is false comes first.
func order(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// MoreFiles says how many are left out; "" where none is.
func (p benchPage) MoreFiles() string {
	return leftOut(len(p.Files.List)-benchFiles, "file", "files")
}

// SizeInWords is the file's size.
func (f FileFacts) SizeInWords() string {
	if f.Size < 0 {
		return "not known"
	}
	return data(f.Size)
}

// StateInWords is how whole the file is.
func (f FileFacts) StateInWords() string {
	s := f.State
	if f.Why != "" {
		s += ": " + shown(f.Why)
	}
	if f.Places > 1 {
		s += ", in " + some(int64(f.Places), "place")
	}
	if f.Disputed > 0 {
		s += ", " + some(f.Disputed, "sector") + " in conflict"
	}
	if f.Made {
		s += ", found without its name"
	}
	return s
}

// leftOut says that a list has more than the page.
func leftOut(n int, what, field string) string {
	if n <= 0 {
		return ""
	}
	return fmt.Sprintf("%s: turnstone report --json lists them under %q.", upper("and "+some(int64(n), "more "+what)), field)
}

// Who is the people who are noted in the case.
func (p benchPage) Who() string {
	var names []string
	add := func(what, name string) {
		if s := what + " " + shown(name); name != "" && !slices.Contains(names, s) {
			names = append(names, s)
		}
	}
	if p.Disc.Seen != nil {
		add("looked at by", p.Disc.Seen.By)
	}
	for _, r := range p.Rounds {
		add("treated by", r.By)
	}
	for _, x := range p.Passes {
		add("read by", x.By)
	}
	for _, w := range p.Watched {
		add("watched by", w.By)
	}
	if p.Closing != nil {
		add(p.Closing.State+" by", p.Closing.By)
	}
	if len(names) == 0 {
		return "Nobody is noted."
	}
	return upper(strings.Join(names, "; ")) + "."
}

// told are the events of the page: failed reads stand under their kinds.
func (p benchPage) told() (all []EventFacts) {
	for _, e := range p.Events {
		if e.Kind != imager.KindFailedRead {
			all = append(all, e)
		}
	}
	return all
}

// SomeEvents is the last events, failed reads left out.
func (p benchPage) SomeEvents() []EventFacts {
	all := p.told()
	return all[max(0, len(all)-benchEvents):]
}

// EventsInWords says what the list of events leaves out.
func (p benchPage) EventsInWords() string {
	all := len(p.told())
	s := fmt.Sprintf("Failed reads are left out here: %s. turnstone report --json lists each under %q.", some(int64(len(p.Events)-all), "entry"), "events")
	if n := int64(len(p.Events) - all); n != 1 {
		s = strings.Replace(s, "entrys", "entries", 1)
	}
	if n := all - benchEvents; n > 0 {
		s += fmt.Sprintf(" So are the first %s.", some(int64(n), "event"))
	}
	return s
}

// WatchedInWords is who watched what, and how it played.
func (p benchPage) WatchedInWords(w Watch) string {
	s := "the films"
	if w.Path != "" {
		s = shown(w.Path)
	}
	if w.By != "" {
		s += ", by " + shown(w.By)
	}
	return fmt.Sprintf("%s, %s: %s", s, p.minute(w.At), playsWell(w))
}

// SomeFilms is the films: those that are not whole first, where not all have room.
func (p benchPage) SomeFilms() []Film { return brokenFirst(p.Files.Films, benchFiles) }

// brokenFirst is as many of a list as have room.
func brokenFirst[T interface{ Whole() bool }](all []T, most int) []T {
	if len(all) <= most {
		return all
	}
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(a, b T) int { return order(a.Whole(), b.Whole()) })
	return all[:most]
}
