package imager

import (
	"context"
	"fmt"
	"iter"

	"turnstone/device/sector"
	"turnstone/imager/found"
	"turnstone/imager/video"
	"turnstone/imager/volume"
	"turnstone/imager/volume/tree"
	"turnstone/mapfile"
)

// FoundFolder is the folder that files found by content lie in, beside those that
// directories tell of. No directory tells of it.
const FoundFolder = "found by content"

// foundFiles is what was found in sectors that no directory tells of.
type foundFiles struct {
	folder *volume.Entry
	finds  []found.Find // of its children, in order
	cut    int          // files that begin and whose end is not certain
}

// Lost tells whether a directory is missing, or no file system is known: then files may
// be there that no directory tells of.
func (f *Files) Lost() bool {
	root := f.Volume.Root
	if root == nil || root.State != volume.Whole {
		return f.img.sectors > 0
	}
	for e := range f.Volume.All() {
		if e.Folder() && e.State != volume.Whole {
			return true
		}
	}
	return false
}

// Tell tells whether directories tell of all that names stand for.
func (f *Files) Tell(names []string) bool {
	sel, err := selectFiles(f.Volume, names)
	return err == nil && sel.notFound(false) == nil
}

// FindByContent goes through the good sectors that no directory tells of, and keeps what
// it finds, for Found, Films and Extract. It may be told of how far it is. An error is
// returned when the image can't be read, or ctx ends.
func (f *Files) FindByContent(ctx context.Context, progress func(done, all int64)) error {
	where := f.untold()
	finder, all, done := found.New(), where.Count(), int64(0)
	buf := make([]byte, largest*sector.Size)
	last := sector.LBA(0)
	for run := range where.Runs() {
		if f.img.good.Overlaps(sector.Range{First: last, End: run.First}) {
			finder.Skip() // what lies between is a file's that a directory tells of
		}
		for at := run.First; at < run.End; {
			if err := ctx.Err(); err != nil {
				return err
			}
			part := sector.Span(at, min(largest, int64(run.End-at)))
			b := buf[:part.Bytes()]
			rotten, err := f.img.readGood(b, part)
			if err != nil {
				return err
			}
			whole := sector.Of(part)
			whole = whole.Subtract(&rotten)
			for r := range whole.Runs() {
				finder.Take(r.First, b[(r.First-part.First).Offset():(r.End-part.First).Offset()])
			}
			at = part.End
			if done += part.Count(); progress != nil {
				progress(done*sector.Size, all*sector.Size)
			}
		}
		last = run.End
	}
	img := f.stretchOf(whole(f.img.sectors))
	files, cut := finder.Files(img, img.Size())
	f.found = f.keep(append(finder.Streams(f.img.sectors), files...), cut)
	return f.findBeside(f.found)
}

// findBeside adds the films of a Video CD that no directory tells of: sectors of form 2,
// one behind the other, with a stream in them.
func (f *Files) findBeside(k *foundFiles) error {
	if f.beside == nil {
		return nil
	}
	told := f.told()
	rest := f.beside.sectors.Subtract(&told)
	for r := range rest.Runs() {
		e := &volume.Entry{Parent: k.folder, Name: fmt.Sprintf("film-at-%d.dat", r.First), Kind: tree.Regular, Size: r.Bytes(), Extents: extentsOf(r, r.Bytes())}
		switch film, err := f.film(f.of(e)); {
		case err != nil:
			return err
		case film.Play == nil:
			continue // the pause between two tracks, for one
		case film.Missing > 0:
			e.State, e.MissingBytes = volume.Damaged, film.Missing
		}
		if e.Why = f.openAt(r, true); e.Why != "" {
			e.State = volume.Unknown
		}
		k.folder.Children, k.finds = append(k.folder.Children, e), append(k.finds, found.Find{Kind: found.Take, At: r, Size: e.Size})
	}
	return nil
}

// untold is the good sectors that no file that is listed lies in. Those of directories
// and descriptors are among them: what was looked at as one may be none.
func (f *Files) untold() sector.Set {
	files := f.told()
	good := f.m.In(mapfile.Good) // without what lies beside the image
	return good.Subtract(&files)
}

// told is the sectors that files lie in that are listed.
func (f *Files) told() sector.Set {
	var ranges []sector.Range
	for e := range f.Volume.All() {
		for _, x := range e.Extents {
			ranges = append(ranges, x.Sectors())
		}
	}
	return sector.Of(ranges...)
}

// stretchOf is sectors of the image as a stream.
func (f *Files) stretchOf(r sector.Range) *stream {
	return f.streamOf(fileOf(&volume.Entry{Extents: extentsOf(r, r.Bytes())}))
}

func extentsOf(r sector.Range, size int64) []tree.Extent {
	return []tree.Extent{{Length: size, At: r.First.Offset(), Place: tree.Recorded}}
}

// foundWords is what a find is called, by kind.
var foundWords = [...]string{found.Take: "take", found.VOBS: "film", found.Info: "set", found.JPEG: "photo",
	found.RIFF: "film", found.MP4: "film", found.PDF: "document"}

// keep makes files of what was found.
func (f *Files) keep(finds []found.Find, cut int) *foundFiles {
	k := &foundFiles{folder: &volume.Entry{Parent: f.root(), Name: FoundFolder, Kind: tree.Folder}, cut: cut}
	takes := 0
	for _, x := range finds {
		e := &volume.Entry{Parent: k.folder, Kind: tree.Regular, Size: x.Size, Extents: extentsOf(x.At, x.Size)}
		word := foundWords[x.Kind]
		switch {
		case x.Head.Kind == video.Manager:
			word = "manager"
		case x.Menus:
			word = "menus"
		case x.Set != nil:
			word = "titles"
		case x.Kind == found.Take:
			takes++
			word = fmt.Sprintf("take-%03d", takes)
		case x.Ext == "wav":
			word = "sound"
		}
		e.Name = fmt.Sprintf("%s-at-%d.%s", word, x.At.First, x.Ext)
		for hole := range f.Volume.Missing(e) {
			e.MissingBytes += hole.End - hole.First
		}
		if e.MissingBytes > 0 {
			e.State = volume.Damaged
		}
		if e.Why = f.openEnds(x); e.Why != "" {
			e.State = volume.Unknown
		}
		k.folder.Children, k.finds = append(k.folder.Children, e), append(k.finds, x)
	}
	return k
}

// openEnds is why a find may be longer than what was found; "" where it is certain.
func (f *Files) openEnds(x found.Find) string {
	if x.Kind != found.Take && (x.Kind != found.VOBS || x.Set != nil) {
		return ""
	}
	return f.openAt(x.At, x.Kind == found.Take)
}

// openAt is why what was found at some place may be longer, at its end, or at its beginning,
// too, where that is not certain.
func (f *Files) openAt(at sector.Range, first bool) string {
	disc := whole(f.img.sectors)
	lost := func(a sector.LBA) bool { return disc.Contains(a) && !f.img.good.Contains(a) }
	switch before, behind := first && lost(at.First-1), lost(at.End); {
	case before && behind:
		return "sectors before it and behind it are missing, and may be its own"
	case before:
		return "sectors before it are missing, and may be its own"
	case behind:
		return "sectors behind it are missing, and may be its own"
	}
	return ""
}

// root is the disc's root, or one that stands for it where none is known.
func (f *Files) root() *volume.Entry {
	if f.Volume.Root != nil {
		return f.Volume.Root
	}
	if f.noRoot == nil {
		f.noRoot = &volume.Entry{Kind: tree.Folder}
	}
	return f.noRoot
}

// Found goes through what FindByContent found, in order of address. It is never among
// All.
func (f *Files) Found() iter.Seq[File] {
	return func(yield func(File) bool) {
		if f.found == nil {
			return
		}
		for _, e := range f.found.folder.Children {
			if !yield(f.of(e)) {
				return
			}
		}
	}
}

// CutOff is how many files were found to begin and have no certain end.
func (f *Files) CutOff() int {
	if f.found == nil {
		return 0
	}
	return f.found.cut
}

// foundFilms is the films among what was found. Of a DVD-Video whose IFO file is there
// they are its titles.
func (f *Files) foundFilms() (films []Film, err error) {
	if f.found == nil {
		return nil, nil
	}
	for i, x := range f.found.finds {
		e := f.of(f.found.folder.Children[i])
		if x.Menus || !isFilm(e.Name) {
			continue
		}
		if x.Set == nil {
			film, err := f.film(e)
			if err != nil {
				return nil, err
			}
			film.Found = true
			films = append(films, film)
			continue
		}
		files := setFiles{vobs: map[int]File{1: e}}
		// The backup lies right behind the titles' VOBS.
		for _, at := range []sector.Range{*x.Set, sector.Span(x.At.End, x.Set.Count())} {
			file := fileOf(&volume.Entry{Kind: tree.Regular, Size: at.Bytes(), Extents: extentsOf(at, at.Bytes())})
			if at.First == x.Set.First {
				files.ifo = &file
			} else {
				files.bup = &file
			}
		}
		titles, err := f.titlesOf(0, &files)
		if err != nil {
			return nil, err
		}
		for i := range titles {
			titles[i].Found = true
		}
		films = append(films, titles...)
	}
	return films, nil
}
