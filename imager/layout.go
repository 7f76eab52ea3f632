package imager

import (
	"fmt"
	"path"
	"slices"

	"turnstone/imager/volume"
	"turnstone/imager/volume/tree"
)

// layOut gives everything its place. Names are given to all that a folder holds, in
// the disc's order, so that a file has the same whatever else is extracted.
func (x *extractor) layOut() {
	type place struct {
		as      string
		changed bool // from what the disc says
	}
	root := x.f.root()
	places := map[*volume.Entry]place{root: {}}
	needed, folders := x.needed(), []*volume.Entry{root}
	for taken := (namesTaken{foldSafe(workName): 2}); len(folders) > 0; taken = (namesTaken{}) {
		in := folders[len(folders)-1]
		folders = folders[:len(folders)-1]
		at := places[in]
		delete(places, in)
		var below []*volume.Entry
		var here []job
		children := in.Children
		if found := x.f.found; in == root && found != nil {
			children = append(slices.Clone(children), found.folder)
		}
		for _, e := range children {
			name := taken.give(safeName(e.Name))
			p := place{path.Join(at.as, name), at.changed || name != e.Name}
			if !needed[e] {
				continue
			}
			switch {
			case len(p.as) > maxSafePath:
				x.leaveOut(e, "its path is too long to be written anywhere")
				continue
			case p.changed:
				x.res.Renamed = append(x.res.Renamed, Renamed{e.Path(), p.as})
			}
			if e.Folder() {
				places[e] = p
				below = append(below, e)
				x.folders = append(x.folders, job{File: x.f.of(e), as: p.as})
				continue
			}
			here = append(here, job{File: x.f.of(e), as: p.as})
		}
		for _, j := range here {
			// The lists come last, so that they take no name away.
			j.list = path.Join(at.as, taken.give(shorten(path.Base(j.as), maxSafeName-len(listTail))+listTail))
			if x.o.Cut && isFilm(j.Name) {
				j.takes = path.Join(at.as, taken.give(shorten(path.Base(j.as), maxSafeName-len(takesTail))+takesTail))
			}
			x.take(j)
		}
		slices.Reverse(below)
		folders = append(folders, below...)
	}
}

// needed is what is selected and the folders on the way to it.
func (x *extractor) needed() map[*volume.Entry]bool {
	needed := map[*volume.Entry]bool{}
	for e := range x.sel.all {
		for ; e != nil && !needed[e]; e = e.Parent {
			needed[e] = true
		}
	}
	return needed
}

// take takes a file among the jobs, or says why not.
func (x *extractor) take(j job) {
	size := max(j.known(), 0)
	switch {
	case j.Kind == tree.Link:
		x.leaveOut(j.Entry, fmt.Sprintf("it is a link to %q: links are not made", j.Target))
	case j.Kind != tree.Regular:
		x.leaveOut(j.Entry, "it is no file, but a device or the like")
	case j.beside == 0 && size > whole(x.f.img.sectors).Bytes():
		x.leaveOut(j.Entry, errTooLarge.Error())
	case j.State != FileWhole && x.o.SkipDamaged:
		x.res.Skipped = append(x.res.Skipped, j.Path())
	case j.State == FileUnknown && len(j.Extents) == 0:
		x.leaveOut(j.Entry, "nothing is known of where it lies: "+j.Why)
	default:
		x.jobs = append(x.jobs, j)
		x.bytes += size
		recorded := int64(0)
		for _, e := range j.Extents {
			if e.Place == tree.Recorded {
				recorded += e.Length
			}
		}
		x.room += min(recorded, j.There())
	}
}

func (x *extractor) leaveOut(e *volume.Entry, why string) {
	x.res.LeftOut = append(x.res.LeftOut, LeftOut{e.Path(), why, e.Kind == tree.Regular})
}
