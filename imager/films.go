package imager

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnstone/imager/video"
	"turnstone/imager/volume/tree"
)

// Film is what is shown in one go: a title of a DVD-Video, else a file that is a film.
type Film struct {
	Title int  // of the disc, from 1; 0 where it is none, or the manager's file is lost
	Set   int  // title set, from 1; 0 where it is no title
	InSet int  // title of the set, from 1; 0: all that the set has, as one stream
	Found bool // it was found by content

	Files   []File // that it lies in
	State   FileState
	Missing int64 // bytes of it
	// Play is what of it can be shown; nil where that can't be told: it is no program
	// stream, or too little of it is there.
	Play *video.Playback
	Note string // what is not known of it, in words; "" where nothing is lacking

	src   *stream
	parts []video.Span // of src that belong to it
}

// Path is that of the film's first file.
func (f *Film) Path() string { return f.Files[0].Path() }

// Films is the disc's films in order: titles, then files, then what was found by
// content. An error is returned only
// where the image can't be read.
func (f *Files) Films() ([]Film, error) {
	var films []Film
	inTitles := map[string]bool{} // folders whose VOBs are titles'
	for folder := range f.discFolders() {
		titles, err := f.titlesIn(folder)
		if err != nil {
			return nil, err
		}
		inTitles[folder.Path()] = true
		films = append(films, titles...)
	}
	for x := range f.All() {
		if x.Kind != tree.Regular || x.known() == 0 || !isFilm(x.Name) {
			continue
		}
		if x.Parent != nil && inTitles[x.Parent.Path()] && dvdName.MatchString(x.Name) {
			continue
		}
		film, err := f.film(x)
		if err != nil {
			return nil, err
		}
		films = append(films, film)
	}
	more, err := f.foundFilms()
	return append(films, more...), err
}

// dvdName is what the files of a DVD-Video are called: set, part, and which of its files.
var dvdName = regexp.MustCompile(`(?i)^(?:VIDEO_TS|VTS_(\d\d)_(\d))\.(IFO|BUP|VOB)$`)

// discFolders goes through the folders of DVD-Video.
func (f *Files) discFolders() func(yield func(File) bool) {
	return func(yield func(File) bool) {
		for x := range f.All() {
			if x.Folder() && strings.EqualFold(x.Name, "VIDEO_TS") && !yield(x) {
				return
			}
		}
	}
}

// discFiles is the files of a DVD-Video's folder, by what they are.
type discFiles struct {
	manager, backup *File
	sets            map[int]*setFiles
}

type setFiles struct {
	ifo, bup *File
	vobs     map[int]File // by number, from 1
}

func (f *Files) discFilesIn(folder File) discFiles {
	d := discFiles{sets: map[int]*setFiles{}}
	for _, e := range folder.Children {
		m := dvdName.FindStringSubmatch(e.Name)
		if m == nil || e.Kind != tree.Regular {
			continue
		}
		x, kind := f.of(e), strings.ToUpper(m[3])
		if m[1] == "" {
			switch kind {
			case "IFO":
				d.manager = &x
			case "BUP":
				d.backup = &x
			}
			continue
		}
		set, _ := strconv.Atoi(m[1])
		part, _ := strconv.Atoi(m[2])
		s := d.sets[set]
		if s == nil {
			s = &setFiles{vobs: map[int]File{}}
			d.sets[set] = s
		}
		switch {
		case kind == "VOB" && part > 0:
			s.vobs[part] = x
		case kind == "IFO" && part == 0:
			s.ifo = &x
		case kind == "BUP" && part == 0:
			s.bup = &x
		}
	}
	return d
}

// titlesIn is the titles of a DVD-Video, in the order in which its manager counts them,
// or that of the sets.
func (f *Files) titlesIn(folder File) (films []Film, err error) {
	d := f.discFilesIn(folder)
	for _, n := range slices.Sorted(maps.Keys(d.sets)) {
		titles, err := f.titlesOf(n, d.sets[n])
		if err != nil {
			return nil, err
		}
		films = append(films, titles...)
	}
	info, err := f.info(d.manager, d.backup)
	if info == nil || err != nil {
		return films, err
	}
	entries, err := video.ParseManager(info)
	if err != nil { // titles are called by their sets
		return films, nil
	}
	for i := range films {
		x := &films[i]
		x.Title = 1 + slices.IndexFunc(entries, func(e video.TitleEntry) bool { return e.Set == x.Set && e.InSet == x.InSet })
	}
	slices.SortStableFunc(films, func(a, b Film) int {
		if a.Title == 0 || b.Title == 0 {
			return 0
		}
		return cmp.Compare(a.Title, b.Title)
	})
	return films, nil
}

// info is an IFO file with its backup; nil where neither tells anything.
func (f *Files) info(ifo, backup *File) (*video.Info, error) {
	var a, b video.Source // not *stream: nil has to be nil
	if ifo != nil {
		a = f.streamOf(*ifo)
	}
	if backup != nil {
		b = f.streamOf(*backup)
	}
	x, err := video.ReadInfo(a, b)
	if errors.Is(err, video.ErrNoInfo) {
		return nil, nil
	}
	return x, err
}

// titlesOf is the titles of a set.
func (f *Files) titlesOf(n int, s *setFiles) (films []Film, err error) {
	var vobs []File
	gap := ""
	for part := 1; len(vobs) < len(s.vobs) && part <= 9; part++ {
		x, ok := s.vobs[part]
		if !ok { // where its bytes would lie behind the others is not known
			gap = fmt.Sprintf("VTS_%02d_%d.VOB is not listed", n, part)
			break
		}
		vobs = append(vobs, x)
	}
	if len(vobs) == 0 {
		for _, part := range slices.Sorted(maps.Keys(s.vobs)) {
			vobs = append(vobs, s.vobs[part])
		}
		if len(vobs) == 0 {
			return nil, nil
		}
	}
	src := f.streamOf(vobs...)
	info, err := f.info(s.ifo, s.bup)
	if err != nil {
		return nil, err
	}
	var set *video.TitleSet
	if info != nil && gap == "" {
		set, _ = video.ParseTitleSet(info) // what it lacks, the titles show
	}
	if set == nil || len(set.Titles) == 0 {
		film := Film{Set: n, Files: vobs, src: src, parts: []video.Span{{End: src.Size()}},
			Note: "which titles it has is not known: " + cmp.Or(gap, "its IFO file and the backup are missing or wrong")}
		err := film.playStream()
		return []Film{film}, err
	}
	for i, t := range set.Titles {
		film := Film{Set: n, InSet: i + 1, src: src}
		if t.Lost {
			film.Note = "a part of its table is missing: there may be more of it"
		}
		for _, c := range t.Cells {
			film.parts = append(film.parts, c.Bytes())
		}
		film.Files = film.in(vobs)
		if err := film.played(video.PlayTitle(t, set.Units, src)); err != nil {
			return nil, err
		}
		if len(film.Files) > 0 {
			films = append(films, film)
		}
	}
	return films, nil
}

// film is a file that is one.
func (f *Files) film(x File) (Film, error) {
	film := Film{Files: []File{x}, src: f.streamOf(x)}
	film.parts = []video.Span{{End: film.src.Size()}}
	err := film.playStream()
	if err == nil && film.Play != nil {
		film.Note = f.recorderNote(x)
	}
	return film, err
}

// recorderNote is what is not told of the long stream of a camcorder's or recorder's disc, by
// the file beside it that manages it, or the backup of that; "" of any other file.
func (f *Files) recorderNote(x File) string {
	switch {
	case x.Parent == nil || !strings.EqualFold(x.Parent.Name, "DVD_RTAV"):
		return ""
	case strings.EqualFold(x.Name, "VR_STILL.VRO"):
		return "it holds a recorder's still pictures"
	case !strings.EqualFold(x.Name, "VR_MOVIE.VRO"):
		return ""
	}
	const toldBy = "its recordings' dates and titles are in VR_MANGR.IFO, "
	strange := false
	for _, e := range x.Parent.Children {
		if !strings.EqualFold(e.Name, "VR_MANGR.IFO") && !strings.EqualFold(e.Name, "VR_MANGR.BUP") {
			continue
		}
		var head [12]byte
		n, _ := f.streamOf(f.of(e)).ReadAt(head[:], 0)
		if video.RecorderInfo(head[:n]) {
			return toldBy + "whose layout is not known here"
		}
		strange = strange || n == len(head)
	}
	if strange {
		return toldBy + "which is of no kind that is known here"
	}
	return toldBy + "which is missing"
}

// playStream tells what can be shown of a film that is a plain stream.
func (f *Film) playStream() error {
	play, err := video.PlayStream(f.src)
	return f.played(play, err)
}

// played takes in what can be shown, and gives the film its state.
func (f *Film) played(play video.Playback, err error) error {
	switch {
	case err == nil:
		f.Play = &play
	case !errors.Is(err, video.ErrNoStream):
		return err
	}
	f.judge()
	return nil
}

// in is those files, one behind the other in src, that the film lies in.
func (f *Film) in(files []File) (some []File) {
	at := int64(0)
	for _, x := range files {
		end := at + x.known()
		if slices.ContainsFunc(f.parts, func(p video.Span) bool { return p.First < end && at < p.End }) {
			some = append(some, x)
		}
		at = end
	}
	return some
}

// judge gives the film its state, by its bytes and its files.
func (f *Film) judge() {
	for _, p := range f.parts {
		f.Missing += f.src.missing(p)
		f.Missing += max(0, p.End-max(p.First, f.src.Size())) // beyond what is known of the files
	}
	if f.Missing > 0 {
		f.State = FileDamaged
	}
	for _, x := range f.Files {
		switch {
		case x.State == FileUnknown:
			f.State = FileUnknown
		case x.Disputed > 0 && f.State == FileWhole:
			f.State = FileDisputed
		}
	}
	if f.Note != "" && f.State == FileWhole && f.InSet > 0 {
		f.State = FileUnknown
	}
}

// LostIn is the play time that is lost with missing bytes of one of the film's files.
func (f *Film) LostIn(x File) (lost time.Duration) {
	if f.Play == nil {
		return 0
	}
	if x.beside > 0 { // it is all of the film
		_, lost = f.Play.Within(f.src, video.Span{End: x.known()})
		return lost
	}
	at := int64(0)
	for _, e := range f.src.extents {
		if len(x.Extents) > 0 && e.Place == tree.Recorded && e.At <= x.Extents[0].At && x.Extents[0].At < e.At+e.Length {
			at = e.Offset + x.Extents[0].At - e.At
			_, lost = f.Play.Within(f.src, video.Span{First: at, End: at + x.known()})
			return lost
		}
	}
	return 0
}

// Name is how people call it: by its number, or its file.
func (f *Film) Name() string {
	switch {
	case f.Found && f.InSet > 0:
		return fmt.Sprintf("title %d of %s", f.InSet, path.Base(f.Path()))
	case f.Title > 0:
		return fmt.Sprintf("title %d", f.Title)
	case f.InSet > 0:
		return fmt.Sprintf("title %d of set %d", f.InSet, f.Set)
	}
	return path.Base(f.Path())
}
