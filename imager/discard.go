package imager

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"turnstone/mapfile"
)

// Discarding deletes the customer's data and keeps the figures. Its order:
//
//	map: "discarding"  ──>  status.json, image, kept/, files/, report/  ──>  status.json  ──>  map anew,
//	    (committed)             (deleted, folder synced)                     (no names)       "discarded"
//
// From the first step on nobody takes what is left for the customer's data. Whoever is
// stopped on the way discards again, and it goes on. The map is made anew under another
// name and takes the place of the old one, since pages that are no longer in use stay in
// a database's file, with the names in them.

// ReportName is the folder of what report writes, in the case's folder.
const ReportName = "report"

// figuresName is the new map's name until it takes the place of the old one.
const figuresName = "map.db.figures"

// whatGoes is what is deleted of a case folder, and whatStays what is kept, apart from
// the map; anything else is not the program's.
var (
	whatGoes  = []string{imageName, formTwoName, keptName, FilesName, ReportName, mapName + ".new"}
	whatStays = []string{mapName, lockName, statusName, ChartsName, imageSumName, formTwoIndex}
)

// Discard deletes image, files, kept readings, pages and names of the case in dir, and
// keeps the figures. It returns what else lies in the folder, which is left there.
// ErrNoCase, ErrInUse and the errors of mapfile.Open are returned when the case can't be
// opened, a *DiscardedError when all of that was done before.
func Discard(dir string, w Writer, by string) (left []string, err error) {
	d := discarding{dir: dir, w: w, by: by, step: func(do func() error) error { return do() }}
	return d.run()
}

// discarding is one discarding. All that reaches the disk goes through step.
type discarding struct {
	dir, by string
	w       Writer
	step    func(do func() error) error
}

func (d *discarding) run() (left []string, err error) {
	if err := noCase(d.dir); err != nil {
		return nil, err
	}
	l, err := takeLock(d.dir, d.w.Command)
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) { // this makes room
		l, err = takeNameless(d.dir)
	}
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, l.release()) }()
	m, err := mapfile.Open(d.path(mapName))
	if err != nil {
		return nil, err
	}
	if m.Closing().State == mapfile.Discarded {
		return nil, discarded(d.dir, m)
	}
	if err := d.begin(m); err != nil {
		return nil, err
	}
	if err := d.delete(); err != nil {
		return nil, err
	}
	if err := d.keepFigures(m); err != nil {
		return nil, err
	}
	return d.foreign()
}

func (d *discarding) path(name string) string { return filepath.Join(d.dir, name) }

// begin makes the discarding known.
func (d *discarding) begin(m *mapfile.Map) error {
	if c := m.Closing(); c.State != mapfile.Discarding {
		c.State, c.At, c.By = mapfile.Discarding, d.w.Now(), d.by
		if err := m.SetClosing(c); err != nil {
			return err
		}
		if err := d.step(func() error { return m.Commit(d.path(mapName)) }); err != nil {
			return err
		}
	}
	// The copy need not be there; what makes room on a full disk comes next.
	return d.step(func() error { return removeOld(d.path(statusName)) })
}

// delete takes the customer's data away, file by file.
func (d *discarding) delete() error {
	var names []string
	for _, name := range whatGoes {
		err := filepath.WalkDir(d.path(name), func(path string, _ fs.DirEntry, err error) error {
			if err == nil {
				names = append(names, path)
			}
			return err
		})
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	for _, path := range slices.Backward(names) { // what is in a folder first
		err := d.step(func() error { return os.Remove(path) })
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return d.step(func() error { return syncFolder(d.dir) })
}

// keepFigures puts a map without names in the place of the old one.
func (d *discarding) keepFigures(m *mapfile.Map) error {
	if err := strip(m); err != nil {
		return err
	}
	c := m.Closing()
	c.State = mapfile.Discarded
	if err := m.SetClosing(c); err != nil {
		return err
	}
	err := mapfile.Events(d.path(mapName), func(e mapfile.Event) bool {
		m.AddEvent(nameless(e))
		return true
	})
	if err != nil {
		return err
	}
	m.AddEvent(mapfile.Event{Time: d.w.Now(), Pass: -1, Kind: KindDiscarded, Text: "image, files and names were deleted"})
	err = d.step(func() error { return replaceFile(d.path(statusName), statusDoc(d.dir, m)) })
	if err == nil {
		err = d.step(func() error { return removeOld(d.path(figuresName)) })
	}
	if err == nil {
		err = d.step(func() error { return mapfile.Create(d.path(figuresName), m) })
	}
	if err == nil {
		err = d.step(func() error { return os.Rename(d.path(figuresName), d.path(mapName)) })
	}
	if err == nil {
		err = d.step(func() error { return syncFolder(d.dir) })
	}
	return err
}

// removeOld takes away what a discarding left that was stopped.
func removeOld(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// strip takes out of a map what names the customer or the files, and what a person
// wrote in words of their own. A pass that was killed gets its end.
func strip(m *mapfile.Map) error {
	errs := []error{m.SetWanted(mapfile.Wanted{})}
	if d := m.Disc(); d.Seen != nil && d.Seen.Note != "" {
		d.Seen.Note = ""
		errs = append(errs, m.SetDisc(d))
	}
	for n, r := range m.Rounds() {
		if r.Note != "" {
			r.Note = ""
			errs = append(errs, m.SetRound(n, r))
		}
	}
	for n, p := range m.Passes() {
		if p.How == "" {
			p.How = HowKilled
		}
		if p.Origin != nil && filepath.IsAbs(p.Origin.Case) { // an image's path
			p.Origin.Case = "/"
		}
		errs = append(errs, m.SetPass(n, p))
	}
	return errors.Join(errs...)
}

// figures are the kinds of events whose text is the program's own, about drive and
// disc. In the text of others stands what people wrote, or names.
var figures = []string{KindFailedRead, KindStall, KindReopened, KindRestored, KindStep, KindGone, KindIdentity, KindDropped,
	KindConflict, KindRotten, KindReadAgain, KindSettled, KindPutOff, KindEnded, KindRound, KindClosed, KindOpenAgain,
	KindRepaired, KindHabit, KindForm}

// nameless is an event without what may name somebody or something of theirs.
func nameless(e mapfile.Event) mapfile.Event {
	if !slices.Contains(figures, e.Kind) {
		e.Text = ""
	}
	return e
}

// foreign is what lies in the folder and is not the program's.
func (d *discarding) foreign() ([]string, error) {
	entries, err := os.ReadDir(d.dir)
	if err != nil {
		return nil, fmt.Errorf("looking for what else is there: %w", err)
	}
	var left []string
	for _, e := range entries {
		if !slices.Contains(whatStays, e.Name()) {
			left = append(left, e.Name())
		}
	}
	return left, nil
}
