package imager

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"turnstone/mapfile"
)

// Listed is where one case of a folder of cases stands.
type Listed struct {
	Name   string    `json:"case"`   // of its folder
	Status Status    `json:"status"` // zero where there is a Problem
	Files  *Tally    `json:"files"`  // of those that are wanted; nil where no file system is known
	Films  FilmTally `json:"films"`  // of those that lie in wanted files
	Next   []Advice  `json:"next"`   // what to do first comes first
	InUse  bool      `json:"in_use"` // a process writes into it now

	Problem string `json:"problem,omitempty"` // why it can't be read, in words
}

// FilmTally counts films.
type FilmTally struct {
	All   int `json:"all"`
	Whole int `json:"whole"`
}

// LastRound is the round that is open now; zero where the case can't be read.
func (l Listed) LastRound() RoundStatus {
	if n := len(l.Status.Rounds); n > 0 {
		return l.Status.Rounds[n-1]
	}
	return RoundStatus{}
}

// Cases is where the cases in a folder stand, by name; what is no case is passed over.
// It only reads, and works while passes run. A case that can't be read is listed with
// its problem. ErrNoCase is returned where the folder holds none.
func Cases(dir string) ([]Listed, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var all []Listed
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		if noCase(path) == nil {
			all = append(all, ListCase(path))
		}
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s: %w, and there is none in it", dir, ErrNoCase)
	}
	return all, nil
}

// ListCase is where the case in dir stands, as Cases lists it.
func ListCase(dir string) Listed {
	l := Listed{Name: filepath.Base(dir)}
	user, err := UserOf(dir)
	var m *mapfile.Map
	if err == nil {
		m, err = LoadBare(dir)
	}
	if err != nil {
		l.Problem = err.Error()
		return l
	}
	l.InUse = user != nil
	look := LookAt(m)
	l.Status, l.Next = look.StatusIn(dir), look.Advise()
	l.Files, l.Films = wantedTally(dir)
	return l
}

// wantedTally counts the wanted files of the case in dir, and the films that lie in them;
// nil where its image tells of none: the sectors are counted whatever the image is like.
func wantedTally(dir string) (*Tally, FilmTally) {
	files, err := OpenFiles(dir)
	if err != nil {
		return nil, FilmTally{}
	}
	defer files.Close()
	wanted, err := files.WantedFiles()
	if err != nil || files.Volume.Root == nil {
		return nil, FilmTally{}
	}
	var t Tally
	for x := range files.All() {
		if wanted[x.Entry] {
			t.Add(x)
		}
	}
	films, err := files.Films()
	if err != nil {
		return &t, FilmTally{}
	}
	var f FilmTally
	for _, x := range films {
		if !slices.ContainsFunc(x.Files, func(y File) bool { return wanted[y.Entry] }) {
			continue
		}
		f.All++
		if x.State == FileWhole {
			f.Whole++
		}
	}
	return &t, f
}
