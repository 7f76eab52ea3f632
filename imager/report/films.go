package report

import (
	"fmt"
	"slices"
	"time"

	"turnstone/imager"
)

// Films tells what plays of the files of a case: titles, files, and what was found by its
// content. An error is returned where the image can't be read.
type Films func(files *imager.Files) ([]Film, error)

// Film is what is shown in one go: a title of a DVD-Video, a file, a recording.
type Film struct {
	Name    string        `json:"name"`  // how people call it: "title 2", or its file's name
	Paths   []string      `json:"paths"` // the files that it lies in
	State   string        `json:"state"` // as those of files
	Missing int64         `json:"missing_bytes"`
	Timed   bool          `json:"timed"` // how long it plays is known
	Plays   time.Duration `json:"plays_ns"`
	About   bool          `json:"about"` // its times are estimated
	Lost    []Cut         `json:"lost"`  // what of it can't be shown, in order
	Found   bool          `json:"found"` // by its content: its name is made up
	Note    string        `json:"note"`  // what is not known of it
	Wanted  bool          `json:"wanted"`
}

// Cut is a part of a film.
type Cut struct {
	At    time.Duration `json:"at_ns"` // from its beginning
	Lasts time.Duration `json:"lasts_ns"`
}

// Whole tells whether nothing is missing and nothing doubtful.
func (f Film) Whole() bool { return f.State == imager.FileWhole.String() }

// LostTime is how much of it can't be shown; begun seconds count, for what is lost is not
// nothing.
func (f Film) LostTime() (lost time.Duration) {
	for _, c := range f.Lost {
		lost += c.Lasts
	}
	return (lost + time.Second - 1).Truncate(time.Second)
}

// filmsIn is the films that are told of, in the files of the list.
func filmsIn(tell Films, files *imager.Files, list []FileFacts, choosy bool) ([]Film, error) {
	if tell == nil {
		return []Film{}, nil
	}
	films, err := tell(files)
	if err != nil {
		return nil, err
	}
	wanted := map[string]bool{}
	for _, f := range list {
		wanted[f.Path] = f.Wanted
	}
	films = append([]Film{}, films...)
	for i := range films {
		f := &films[i]
		f.Lost, f.Paths = append([]Cut{}, f.Lost...), append([]string{}, f.Paths...)
		f.Wanted = f.Found && !choosy || slices.ContainsFunc(f.Paths, func(p string) bool { return wanted[p] })
	}
	return films, nil
}

// filmsInWords is how much of films there is: in time first.
func filmsInWords(films []Film) string {
	var all, lost time.Duration
	whole, timed, about := 0, true, ""
	for _, f := range films {
		timed = timed && f.Timed
		if f.About {
			about = "about "
		}
		if all += f.Plays; !f.Whole() {
			lost += f.LostTime()
		} else {
			whole++
		}
	}
	n := int64(len(films))
	length := ""
	if all > 0 && timed {
		length = ": " + about + plays(all)
	}
	switch {
	case whole == len(films) && n == 1:
		return "The film is whole" + length + "."
	case whole == len(films):
		return fmt.Sprintf("All %s are whole%s.", some(n, "film"), length)
	case !timed || lost == 0:
		return wholeOf(whole, n, "film") + "."
	}
	all = all.Round(time.Second)
	return fmt.Sprintf("%s%s of %s of film were saved; %s are missing. %s.",
		upper(about), plays(all-lost), plays(all), plays(lost), wholeOf(whole, n, "film"))
}

// lacks is what a film lacks, in time if that is known.
func (f Film) lacks() string {
	lost := f.LostTime()
	if lost == 0 {
		if f.Missing == 0 {
			return ""
		}
		if f.Timed {
			return data(f.Missing) + " missing, no picture of it"
		}
		return data(f.Missing) + " missing"
	}
	s := plays(lost) + " missing, at "
	if f.About {
		s = "about " + s
	}
	for i, c := range f.Lost {
		switch {
		case i == mostCuts:
			return s + fmt.Sprintf(" and at %s", some(int64(len(f.Lost)-i), "more place"))
		case i > 0:
			s += ", "
		}
		s += position(c.At)
	}
	return s
}

// LengthInWords is how long it plays.
func (f Film) LengthInWords() string {
	switch {
	case !f.Timed:
		return "not known"
	case f.About:
		return "about " + plays(f.Plays)
	}
	return plays(f.Plays)
}

// StateInWords is how whole it is, for the bench.
func (f Film) StateInWords() string {
	s := f.State
	if l := f.lacks(); l != "" {
		s += ", " + l
	}
	if f.Found {
		s += ", found by its content"
	}
	if f.Note != "" {
		s += "; " + shown(f.Note)
	}
	return s
}
