package imager

import (
	"fmt"
	"slices"
	"strings"

	"turnstone/device/sector"
	"turnstone/imager/volume"
	"turnstone/mapfile"
)

// What is wanted is kept as the names that were said. Which sectors that means is
// looked up anew each time when the image may tell more: when it is said, in a pass
// between its parts, behind a pass and a merge; and kept beside the names, so that
// the map alone says how much is missing.
//
//	names ──selectFiles──> files ──extents──────> sectors
//	             └ listings not complete ──> structures that are missing, as well
//
// Where no structure that could be read would tell more, and a name is found nowhere
// or its file's place is not known, all of the disc is wanted: it may lie anywhere.

// Want notes what the customer needs: files by name (see README: Files); none
// takes it back. It returns the files, as far as they are known. ErrNoSuchFile is
// returned where a name stands for nothing and no missing listing could have it.
func (c *Case) Want(names []string) (*Files, error) {
	files, err := c.files()
	if err != nil {
		return nil, err
	}
	w, err := files.want(names)
	if err != nil {
		return nil, err
	}
	if err := c.m.SetWanted(w); err != nil {
		return nil, err
	}
	text := "everything"
	if len(names) > 0 {
		text = strings.Join(names, ", ")
	}
	c.m.AddEvent(mapfile.Event{Time: c.now(), Pass: -1, Kind: KindWanted, Text: text})
	return files, c.saveRecords()
}

// files is what the image tells now; no pass may be saving.
func (c *Case) files() (*Files, error) {
	b, err := knownBeside(c.Dir)
	if err != nil {
		return nil, err
	}
	return filesBeside(c.m, c.m.Disc(), c.disk.readImage, b)
}

// want is what names stand for, for the map.
func (f *Files) want(names []string) (mapfile.Wanted, error) {
	if len(names) == 0 {
		return mapfile.Wanted{}, nil
	}
	sel, err := selectFiles(f.Volume, names)
	if err != nil {
		return mapfile.Wanted{}, err
	}
	needed := f.Volume.Structures.Needed
	if f.Volume.Root != nil {
		err = sel.notFound(!needed.Empty())
	} else if needed.Empty() && f.img.sectors > 0 {
		err = f.known()
	}
	if err != nil {
		return mapfile.Wanted{}, err
	}
	return f.wanted(names, sel), nil
}

// wanted is where what was selected lies.
func (f *Files) wanted(names []string, sel *selection) mapfile.Wanted {
	w := mapfile.Wanted{Names: slices.Clone(names)}
	needed := f.Volume.Structures.Needed
	lost := f.Volume.Root == nil // some of it is nobody knows where
	w.Open = lost
	for i := range sel.names {
		w.Open = w.Open || sel.open[i]
		lost = lost || sel.found[i] == 0
	}
	var where []sector.Range
	for e := range f.Volume.All() {
		if e.Folder() || !sel.has(e) {
			continue
		}
		for _, x := range e.Extents {
			where = append(where, x.Sectors())
		}
		if e.State == volume.Unknown {
			lost = true
		}
	}
	w.Open = lost && f.img.sectors == 0 || (w.Open || lost) && !needed.Empty()
	switch disc := whole(f.img.sectors); {
	case w.Open:
		for r := range needed.Runs() {
			where = append(where, r)
		}
	case lost:
		where = append(where, disc)
	}
	w.Sectors = sector.Of(where...)
	disc := sector.Of(whole(f.img.sectors))
	w.Sectors = w.Sectors.Intersect(&disc)
	if f.beside != nil {
		good := f.m.In(mapfile.Good)
		out := f.beside.sectors.Subtract(&good)
		w.Beside = w.Sectors.Intersect(&out)
		w.Sectors = w.Sectors.Subtract(&out)
	}
	return w
}

// wantedBeside is what of a disc's sectors of form 2 is wanted; nil where all is.
func wantedBeside(m *mapfile.Map, all sector.Set) *sector.Set {
	w := m.Wanted()
	if len(w.Names) == 0 || wantedIsOver(m, &w) {
		return nil
	}
	set := w.Beside.Intersect(&all)
	return &set
}

// lookUpWanted looks up anew what the names stand for, and tells whether the map
// learned of anything, which is then to be committed. What was found once and is not
// any more counts as missing somewhere: no error.
func (c *Case) lookUpWanted() (files *Files, changed bool, err error) {
	was := c.m.Wanted()
	if len(was.Names) == 0 {
		return nil, false, nil
	}
	if files, err = c.files(); err != nil {
		return nil, false, fmt.Errorf("looking up the wanted files: %w", err)
	}
	sel, err := selectFiles(files.Volume, was.Names)
	if err != nil {
		return nil, false, err
	}
	now := files.wanted(was.Names, sel)
	if now.Open == was.Open && now.Sectors.Equal(&was.Sectors) && now.Beside.Equal(&was.Beside) {
		return files, false, nil
	}
	return files, true, c.m.SetWanted(now)
}

// keepWanted looks up what is wanted behind a pass or a merge, and keeps it.
func (c *Case) keepWanted() error {
	_, changed, err := c.lookUpWanted()
	if err == nil && changed {
		err = c.saveRecords()
	}
	return err
}

// WantedFiles is the files that are wanted; all where everything is.
func (f *Files) WantedFiles() (map[*volume.Entry]bool, error) {
	sel, err := selectFiles(f.Volume, f.m.Wanted().Names)
	if err != nil {
		return nil, err
	}
	return sel.all, nil
}
