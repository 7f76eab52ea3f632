package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/imager/video"
	"turnstone/imager/volume"
)

// playTime is a place in a film, as players show it.
func playTime(d time.Duration) string {
	s := int64(d / time.Second)
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

// lostTime is a part of a film: begun seconds count, for what is lost is not nothing.
func lostTime(d time.Duration) string { return playTime(d + time.Second - 1) }

// lostOf is that of so long a film, of which no more is lost than its length is said to be.
func lostOf(d, length time.Duration) string {
	if d >= length {
		return playTime(length.Round(time.Second))
	}
	return lostTime(d)
}

// mostGaps is how many gaps of a film are told.
const mostGaps = 3

// gapsInWords is what a film lacks, and where.
func gapsInWords(p *video.Playback) string {
	about := ""
	for _, g := range p.Gaps {
		if g.About {
			about = "about "
		}
	}
	if len(p.Gaps) == 1 {
		return fmt.Sprintf("%s%s at %s", about, lostOf(p.Lost(), p.Length), playTime(p.Gaps[0].From))
	}
	var at []string
	more := map[string]bool{} // gaps that begin in one second are one place
	for _, g := range p.Gaps {
		switch s := playTime(g.From); {
		case len(at) > 0 && at[len(at)-1] == s:
		case len(at) < mostGaps:
			at = append(at, s)
		default:
			more[s] = true
		}
	}
	where := at[0]
	if n := len(at); n > 1 {
		where = strings.Join(at[:n-1], ", ") + " and " + at[n-1]
	}
	if n := len(more); n > 0 {
		where = strings.Join(at, ", ") + " and " + filesInWords(n, "more place")
	}
	return fmt.Sprintf("%s%s at %s", about, lostOf(p.Lost(), p.Length), where)
}

// filmLine is a film in a line: name, length, what it lacks.
func filmLine(x imager.Film) string {
	s := shown(x.Name())
	if x.InSet > 0 && !x.Found {
		s += ", " + shown(x.Files[0].Name)
		if n := len(x.Files); n > 1 {
			s += " to " + shown(x.Files[n-1].Name)
		}
	}
	return s + "  " + filmShows(x)
}

// filmShows is how long a film is, and what it lacks.
func filmShows(x imager.Film) string {
	s, p := "", x.Play
	switch {
	case p == nil && x.Missing > 0:
		s = fmt.Sprintf("%s, %s missing; no play time is told by what is there", x.State, bytesInWords(x.Missing))
	case p == nil:
		s = fmt.Sprintf("%s; it tells no play time", x.State)
	default:
		about := ""
		if p.About {
			about = "about "
		}
		s = about + playTime(p.Length.Round(time.Second))
		if n := len(p.Takes); n > 1 && x.InSet == 0 {
			s += fmt.Sprintf(" in %d takes", n)
		}
		switch {
		case len(p.Gaps) > 0:
			s += fmt.Sprintf(", lacks %s; %s can be shown", gapsInWords(p), share(int64(p.Length-p.Lost()), int64(p.Length)))
		case x.Missing > 0:
			s += fmt.Sprintf(", lacks no picture; %s missing", bytesInWords(x.Missing))
		default:
			s += ", " + x.State.String()
		}
	}
	if x.Note != "" {
		s += "; " + x.Note
	}
	return s
}

// lostInWords is the play time that a file's gaps cost, of all films in it.
func lostInWords(films []imager.Film, x imager.File) string {
	var lost, length time.Duration
	if x.MissingBytes > 0 {
		for _, f := range films {
			for _, in := range f.Files {
				if in.Entry == x.Entry {
					lost += f.LostIn(x)
					if f.Play != nil {
						length += f.Play.Length
					}
				}
			}
		}
	}
	if lost == 0 {
		return ""
	}
	return ", " + lostOf(lost, length) + " of film lost"
}

// filmsTally says how many films are whole, without a period.
func filmsTally(films []imager.Film) string {
	whole := 0
	for _, x := range films {
		if x.State == imager.FileWhole {
			whole++
		}
	}
	switch n := len(films); {
	case n == 1 && whole == 1:
		return "The one film is whole"
	case whole == n:
		return fmt.Sprintf("All %d films are whole", n)
	case n == 1:
		return "The one film is not whole"
	case whole == 0:
		return fmt.Sprintf("None of %d films is whole", n)
	default:
		return fmt.Sprintf("%d of %d films %s whole", whole, n, be(int64(whole)))
	}
}

// filmsStand says in a sentence how many films are whole, and what one that is not lacks;
// "" where there are none.
func filmsStand(films []imager.Film) string {
	if len(films) == 0 {
		return ""
	}
	var lacking []imager.Film
	for _, x := range films {
		if x.State != imager.FileWhole {
			lacking = append(lacking, x)
		}
	}
	s := filmsTally(films)
	for i, x := range lacking {
		if i == mostLacking {
			n := int64(len(lacking) - i)
			s += fmt.Sprintf("; %s more %s not whole", sector.Thousands(n), be(n))
			break
		}
		s += "; " + shown(x.Name())
		switch {
		case x.Play != nil && len(x.Play.Gaps) > 0:
			s += " lacks " + gapsInWords(x.Play)
		case x.Missing > 0:
			s += fmt.Sprintf(" lacks %s", bytesInWords(x.Missing))
		default:
			s += " is " + x.State.String()
		}
	}
	return s + "."
}

// timed tells whether any of films tells its play time: else the files say it all.
func timed(films []imager.Film) bool {
	return slices.ContainsFunc(films, func(x imager.Film) bool { return x.Play != nil })
}

// wantedFilms is the films that lie in wanted files.
func wantedFilms(files *imager.Files, wanted map[*volume.Entry]bool) (some []imager.Film) {
	films, err := files.Films()
	if err != nil {
		return nil // status says where the sectors stand, whatever the image is like
	}
	for _, x := range films {
		for _, f := range x.Files {
			if wanted[f.Entry] {
				some = append(some, x)
				break
			}
		}
	}
	return some
}

// lookInWords says where more files may be had; "" where directories tell of all.
func lookInWords(files *imager.Files) string {
	if v := files.Volume; !files.Lost() || v.Root == nil && v.Structures.Needed.Empty() {
		return "" // where no file system is, and nothing is missing that may tell of one, there may be none
	}
	return "Directories are missing: turnstone files looks for films by their content.\n"
}

// filmsText lists the films that directories tell of.
func filmsText(w io.Writer, films []imager.Film) {
	var listed []imager.Film
	for _, x := range films {
		if !x.Found {
			listed = append(listed, x)
		}
	}
	if !timed(listed) {
		return
	}
	fmt.Fprintf(w, "\n%s:\n", filmsTally(listed))
	for _, x := range listed {
		fmt.Fprintf(w, "  %s\n", filmLine(x))
		if p := x.Play; p != nil && x.InSet == 0 && len(p.Takes) > 1 {
			takesText(w, p)
		}
	}
}

// mostListed is how many takes of a film are listed.
const mostListed = 40

// takesText lists the takes of a film, and what each lacks.
func takesText(w io.Writer, p *video.Playback) {
	for i, t := range p.Takes[:min(len(p.Takes), mostListed)] {
		lacks := ""
		if lost := p.LostOf(t); lost > 0 {
			lacks = ", lacks " + lostOf(lost, t.Length)
		}
		fmt.Fprintf(w, "    take %d at %s  %s%s\n", i+1, playTime(t.From), playTime(t.Length.Round(time.Second)), lacks)
	}
	if n := len(p.Takes) - mostListed; n > 0 {
		fmt.Fprintf(w, "    and %s more\n", sector.Thousands(int64(n)))
	}
}

// foundText lists what was found by content.
func foundText(w io.Writer, files *imager.Files, films []imager.Film) {
	n := 0
	for range files.Found() {
		n++
	}
	if cut := files.CutOff(); n == 0 && cut == 0 {
		return
	}
	fmt.Fprintf(w, "\nFound by content, told of by no directory: %s\n", filesInWords(n, "file"))
	told := map[string][]string{}
	for _, x := range films {
		if x.Found {
			told[x.Path()] = append(told[x.Path()], filmLine(x))
		}
	}
	for x := range files.Found() {
		fmt.Fprintf(w, "  %s\n", fileLine(files, x))
		for _, line := range told[x.Path()] {
			if _, rest, ok := strings.Cut(line, "  "); ok && strings.HasPrefix(line, x.Name) {
				line = rest
			}
			fmt.Fprintf(w, "    %s\n", line)
		}
	}
	if cut := files.CutOff(); cut > 0 {
		fmt.Fprintf(w, "  and %s that begin there, and whose end is not certain\n", filesInWords(cut, "file"))
	}
}

// filmDoc is a film in the document of files --json.
type filmDoc struct {
	Name    string    `json:"name"`
	Title   int       `json:"title"` // of the disc; 0: none
	Set     int       `json:"set"`
	InSet   int       `json:"title_of_set"`
	Files   []string  `json:"files"`
	State   string    `json:"state"`
	Missing int64     `json:"missing_bytes"`
	Seconds *float64  `json:"seconds"` // null where it tells no play time
	Lost    float64   `json:"seconds_lost"`
	About   bool      `json:"about"` // the length is estimated
	Gaps    []gapDoc  `json:"gaps"`
	Takes   []takeDoc `json:"takes"`
	Note    string    `json:"note"`
	Found   bool      `json:"found_by_content"`
}

type gapDoc struct {
	From  float64 `json:"from"` // seconds of play time
	To    float64 `json:"to"`
	About bool    `json:"about"`
}

type takeDoc struct {
	From    float64  `json:"from"` // seconds of play time
	Seconds float64  `json:"seconds"`
	Lost    float64  `json:"seconds_lost"`
	Bytes   [2]int64 `json:"bytes"` // the first, of the film's files behind each other, and how many
}

func filmDocOf(x imager.Film) filmDoc {
	d := filmDoc{Name: x.Name(), Title: x.Title, Set: x.Set, InSet: x.InSet, State: x.State.String(), Missing: x.Missing,
		Note: x.Note, Found: x.Found, Gaps: []gapDoc{}, Takes: []takeDoc{}}
	for _, f := range x.Files {
		d.Files = append(d.Files, f.Path())
	}
	if p := x.Play; p != nil {
		length := p.Length.Seconds()
		d.Seconds, d.Lost, d.About = &length, p.Lost().Seconds(), p.About
		for _, g := range p.Gaps {
			d.Gaps = append(d.Gaps, gapDoc{g.From.Seconds(), g.To.Seconds(), g.About})
		}
		for _, t := range p.Takes {
			d.Takes = append(d.Takes, takeDoc{t.From.Seconds(), t.Length.Seconds(), p.LostOf(t).Seconds(), [2]int64{t.Bytes.First, t.Bytes.Len()}})
		}
	}
	return d
}
