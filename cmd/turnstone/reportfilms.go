package main

import (
	"context"

	"turnstone/imager"
	reports "turnstone/imager/report"
)

// filmsOfReport is what plays of a case's files, for its pages. Where directories are
// missing it is looked for by content.
func filmsOfReport(files *imager.Files) ([]reports.Film, error) {
	if files.Lost() {
		if err := files.FindByContent(context.Background(), nil); err != nil {
			return nil, err
		}
	}
	films, err := files.Films()
	var told []reports.Film
	for _, x := range films {
		f := reports.Film{Name: x.Name(), State: x.State.String(), Missing: x.Missing, Found: x.Found, Note: x.Note}
		for _, in := range x.Files {
			f.Paths = append(f.Paths, in.Path())
		}
		if p := x.Play; p != nil {
			f.Timed, f.Plays, f.About = true, p.Length, p.About
			for _, g := range p.Gaps {
				f.About = f.About || g.About
				f.Lost = append(f.Lost, reports.Cut{At: g.From, Lasts: g.To - g.From})
			}
		}
		told = append(told, f)
	}
	return told, err
}

// watchedOfReport is who watched a case's films.
func watchedOfReport(dir string) ([]reports.Watch, error) {
	m, err := imager.Load(dir)
	if err != nil || m.Watched() == nil {
		return nil, err
	}
	w := m.Watched()
	return []reports.Watch{{By: w.By, At: w.At, Well: w.Yes}}, nil
}
