package press

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"sync"
	"time"
)

// Disc is what is to be recorded on a disc.
type Disc struct {
	Label   string    // of 11 letters of ISO 9660 (A to Z, 0 to 9, _) at most
	Made    time.Time // UTC
	Films   []Film    // 1 to 99
	Menu    time.Duration
	Folders []Folder
	Sectors int // of the whole disc
}

// Film is a film of a title set of its own.
type Film struct {
	Length time.Duration // rounded up to units of 0.48 s
	Made   time.Time
}

// Folder is a folder of data in the root.
type Folder struct {
	Name  string
	Files []File
}

// File is a file in a folder. Its name has letters of ISO 9660, 30 at most with the dot.
type File struct {
	Name string
	Made time.Time
	Data []byte
}

// blockSectors is the sectors of a DVD's ECC block.
const blockSectors = 16

// entry is a file or directory of the disc.
type entry struct {
	name     string
	made     time.Time
	parent   *entry
	folder   bool
	children []*entry // of a directory, by name
	data     []byte   // of a file
	first    int      // sector of a file's data
	apart    bool     // it begins an ECC block
	iso      isoPlace
	udf      udfPlace
}

func (e *entry) add(c *entry) *entry {
	c.parent = e
	i, _ := slices.BinarySearchFunc(e.children, c.name, func(x *entry, name string) int { return cmp.Compare(x.name, name) })
	e.children = slices.Insert(e.children, i, c)
	return c
}

func (e *entry) folderOf(name string, made time.Time) *entry {
	return e.add(&entry{name: name, made: made, folder: true})
}

func (e *entry) file(name string, made time.Time, data []byte) *entry {
	return e.add(&entry{name: name, made: made, data: data})
}

// folders is the directories from root on, each level after the one above, as path
// tables want them.
func folders(root *entry) []*entry {
	all := []*entry{root}
	for i := 0; i < len(all); i++ {
		for _, c := range all[i].children {
			if c.folder {
				all = append(all, c)
			}
		}
	}
	return all
}

// Write records the disc, sector after sector. An error is returned where it does not
// fit, where it has too many films or files, or where w fails.
func (d *Disc) Write(w io.Writer) error {
	if n := len(d.Films); n < 1 || n > 99 {
		return fmt.Errorf("a disc of %d films; a DVD-Video has 1 to 99", n)
	}
	root := &entry{made: d.Made, folder: true}
	root.parent = root
	root.folderOf("AUDIO_TS", d.Made)
	files := d.video(root.folderOf("VIDEO_TS", d.Made))
	for _, f := range d.Folders {
		folder := root.folderOf(f.Name, d.Made)
		for _, x := range f.Files {
			files = append(files, folder.file(x.Name, x.Made, x.Data))
		}
	}
	all := folders(root)
	if err := placeISO(all); err != nil {
		return err
	}
	at := align(placeUDF(all, files), blockSectors)
	for _, f := range files {
		if f.apart {
			at = align(at, blockSectors)
		}
		f.first = at
		at += sectorsOf(len(f.data))
	}
	if at >= d.Sectors {
		return fmt.Errorf("what is to be recorded takes %d sectors; the disc has %d", at+1, d.Sectors)
	}
	out := &sheet{}
	d.describeISO(out, all)
	d.describeUDF(out, all, files)
	for _, f := range files {
		out.put(f.first, f.data)
	}
	return out.write(w, d.Sectors)
}

// video adds the files of the DVD-Video to a folder, and returns them as they are to lie
// on the disc.
func (d *Disc) video(in *entry) (files []*entry) {
	menu := record(0, unitsOf(d.Menu), "MENU")
	sets := make([]set, len(d.Films))
	var all sync.WaitGroup
	for i, f := range d.Films {
		all.Go(func() {
			film := record(1+i, unitsOf(f.Length), fmt.Sprint(1+i))
			ifo := filmIFO(film, 0)
			gap := gapBefore(len(ifo)/size + film.sectors())
			sets[i] = set{ifo: filmIFO(film, gap), film: film}
		})
	}
	all.Wait()
	n := len(managerIFO(menu, sets, 0)) / size
	gap := gapBefore(n + menu.sectors())
	at := align(n+menu.sectors()+gap+n, blockSectors)
	for i := range sets {
		sets[i].first = at
		at += align(int(be.Uint32(sets[i].ifo[ifoLastOfSet:]))+1, blockSectors)
	}
	manager := managerIFO(menu, sets, gap)
	set := func(made time.Time, ifo, vob, bup string, tells, shows []byte) {
		first := in.file(ifo, made, tells)
		films := in.file(vob, made, shows)
		again := in.file(bup, made, tells)
		first.apart, again.apart = true, true
		files = append(files, first, films, again)
	}
	set(d.Made, "VIDEO_TS.IFO", "VIDEO_TS.VOB", "VIDEO_TS.BUP", manager, menu.data)
	for i, s := range sets {
		name := fmt.Sprintf("VTS_%02d_", 1+i)
		set(d.Films[i].Made, name+"0.IFO", name+"1.VOB", name+"0.BUP", s.ifo, s.film.data)
	}
	return files
}

func unitsOf(length time.Duration) int {
	const unit = frames * time.Second / 25
	return max(1, int((length+unit-1)/unit))
}

// gapBefore is how many sectors a copy of an IFO leaves free to begin an ECC block.
func gapBefore(at int) int { return align(at, blockSectors) - at }
