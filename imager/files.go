package imager

import (
	"errors"
	"fmt"
	"iter"
	"os"

	"turnstone/device/sector"
	"turnstone/imager/volume"
	"turnstone/imager/volume/tree"
	"turnstone/mapfile"
)

// Files is what the file systems in a case's image tell, as far as the image goes at
// the moment of opening. Nothing is written, and a pass may run meanwhile: what is
// good then stays so.
type Files struct {
	Volume *volume.Volume

	m        *mapfile.Map
	img      *goodImage
	disputed sector.Set
	f        *os.File // nil inside a pass
	beside   *beside  // nil where nothing lies beside the image, and inside a pass
	buf      []byte   // space for a part of a file

	found  *foundFiles   // nil: nobody looked
	noRoot *volume.Entry // stands for the root where there is none
}

// FileState is how much of a file there is.
type FileState uint8

const (
	// FileWhole: all its bytes are in the image, and it is certain which they are.
	FileWhole FileState = iota
	// FileDamaged: bytes are missing.
	FileDamaged
	// FileUnknown: what tells where it is, or where it ends, is missing or wrong.
	FileUnknown
	// FileDisputed: nothing is missing, but two sources gave bytes of it differently.
	FileDisputed
)

// String is the state in the case's words.
func (s FileState) String() string { return fileStateWords[s] }

var fileStateWords = [...]string{"whole", "damaged", "unknown", "disputed"}

// File is a file, directory or link of the disc, and how much of it there is.
type File struct {
	*volume.Entry
	State    FileState // instead of the entry's, which knows nothing of conflicts
	Disputed int64     // sectors with bytes of it that two sources gave differently

	// Size and MissingBytes are instead of the entry's, which counts 2,048 bytes for each
	// sector, also where a Video CD's film has 2,324 in it.
	Size, MissingBytes int64

	beside int64 // its sectors, where it lies beside the image: of 2,324 bytes each
}

// fileOf is an entry of which nothing else is known.
func fileOf(e *volume.Entry) File {
	return File{Entry: e, State: FileState(e.State), Size: e.Size, MissingBytes: e.MissingBytes}
}

// There is how many of its bytes are in the image, or beside it, as far as it is known
// where they are.
func (f File) There() int64 { return f.known() - f.MissingBytes }

// known is how many bytes its extents hold.
func (f File) known() int64 {
	if f.beside > 0 {
		return f.beside * formTwoUser
	}
	if n := len(f.Extents); n > 0 {
		return f.Extents[n-1].Offset + f.Extents[n-1].Length
	}
	return 0
}

// OpenFiles reads the file systems of the case in dir. ErrNoCase, ErrImage,
// ErrDiscarded and the errors of mapfile.Open are returned where it can't be read; what the disc lacks is
// no error.
func OpenFiles(dir string) (*Files, error) {
	// The map first: all that it calls good is in the image that is opened after it.
	// Only the length of the two may differ, where a pass learns of a larger disc.
	const tries = 3
	for try := 1; ; try++ {
		m, err := Load(dir)
		if err != nil {
			return nil, err
		}
		if err := discarded(dir, m); err != nil {
			return nil, err
		}
		f, err := openImage(dir, m.Disc().Sectors, os.O_RDONLY)
		if errors.Is(err, ErrImage) && try < tries {
			if user, _ := UserOf(dir); user != nil {
				continue
			}
		}
		if err != nil {
			return nil, err
		}
		b, err := openBeside(dir)
		if err != nil {
			return nil, errors.Join(err, f.Close())
		}
		files, err := filesBeside(m, m.Disc(), readerOf(f), b)
		if err != nil {
			return nil, errors.Join(err, b.close(), f.Close())
		}
		files.f = f
		return files, nil
	}
}

// filesOf reads the file systems of an image of which a map says what is good. Of the
// disc more may be known than the map was told yet.
func filesOf(m *mapfile.Map, d mapfile.Disc, read func(p []byte, at sector.LBA) error) (*Files, error) {
	return filesBeside(m, d, read, nil)
}

// filesBeside is filesOf with what lies beside the image, unless that is nil.
func filesBeside(m *mapfile.Map, d mapfile.Disc, read func(p []byte, at sector.LBA) error, b *beside) (*Files, error) {
	f := &Files{m: m, img: newGoodImage(m, d.Sectors, read), disputed: m.InConflict(), beside: b}
	if b != nil {
		f.img.good = f.img.good.Union(&b.good)
	}
	v, err := volume.Open(f.img, volume.Options{Sessions: sessionsOf(d)})
	if err != nil {
		return nil, err
	}
	f.Volume = v
	for r := range f.structuresDisputed() {
		v.Problems = append(v.Problems, tree.Problem{Sectors: r,
			What: "two sources gave this structure differently; the first is believed"})
	}
	return f, nil
}

// Map is the map by which the image was read; it must not be changed.
func (f *Files) Map() *mapfile.Map { return f.m }

// Close lets go of the image.
func (f *Files) Close() error {
	if f.f == nil {
		return nil
	}
	return errors.Join(f.f.Close(), f.beside.close())
}

// sessionGap is more than what is left out between tracks of one session, and less
// than lead-out and lead-in between two sessions take on a CD: 11,400 sectors behind
// the first (MMC [memory]).
const sessionGap = 4000

// sessionsOf is where sessions begin, as a drive told; else where they may, by the
// written area: at its runs, where much lies between them. None stands for one at 0.
func sessionsOf(d mapfile.Disc) (starts []sector.LBA) {
	for _, a := range d.Sessions {
		starts = append(starts, sector.LBA(a))
	}
	if len(starts) > 0 {
		return starts
	}
	end := sector.LBA(0)
	for r := range d.Written.Runs() {
		if len(starts) == 0 || r.First-end >= sessionGap {
			starts = append(starts, r.First)
		}
		end = r.End
	}
	if len(starts) > 0 && starts[0] != 0 {
		starts = append([]sector.LBA{0}, starts...)
	}
	return starts
}

// structuresDisputed goes through the sectors of structures that are in conflict.
func (f *Files) structuresDisputed() iter.Seq[sector.Range] {
	s := &f.Volume.Structures
	all := s.Descriptors.Union(&s.Tables)
	all = all.Union(&s.Directories)
	all = all.Intersect(&f.disputed)
	return all.Runs()
}

// All goes through files, directories and links, each directory before what is in it.
func (f *Files) All() iter.Seq[File] {
	return func(yield func(File) bool) {
		for e := range f.Volume.All() {
			if !yield(f.of(e)) {
				return
			}
		}
	}
}

// of is an entry with what the case knows of it.
func (f *Files) of(e *volume.Entry) File {
	x := fileOf(e)
	if all, missing := f.beside.holds(e); all > 0 {
		x.beside, x.Size, x.MissingBytes = all, all*formTwoUser, missing*formTwoUser
	}
	if f.disputed.Empty() {
		return x
	}
	for _, ext := range e.Extents {
		if r := ext.Sectors(); !r.Empty() {
			x.Disputed += f.disputed.CountIn(r)
		}
	}
	if x.Disputed > 0 && x.State == FileWhole {
		x.State = FileDisputed
	}
	return x
}

// Missing goes through the bytes of a file that the image does not hold, in order.
func (f *Files) Missing(x File) iter.Seq[tree.Span] {
	if x.beside > 0 {
		return f.beside.lacks(x.Entry)
	}
	return f.Volume.Missing(x.Entry)
}

// Rotten is the good sectors whose bytes did not match their checksums, among those
// that were read so far. They count as missing.
func (f *Files) Rotten() sector.Set { return f.img.rotten.Clone() }

// Tally counts files, and the bytes in them.
type Tally struct {
	Files    int   `json:"files"` // regular ones, as the rest
	Whole    int   `json:"whole"`
	Damaged  int   `json:"damaged"`
	Unknown  int   `json:"unknown"`
	Disputed int   `json:"disputed"`
	Bytes    int64 `json:"bytes"`
	There    int64 `json:"bytes_there"`
	Folders  int   `json:"folders"`
	Partial  int   `json:"folders_listed_in_part"`
}

// Add counts one more.
func (t *Tally) Add(x File) {
	switch x.Kind {
	case tree.Folder:
		t.Folders++
		if x.State != FileWhole {
			t.Partial++
		}
		return
	case tree.Regular:
	default:
		return
	}
	t.Files++
	*[...]*int{&t.Whole, &t.Damaged, &t.Unknown, &t.Disputed}[x.State]++
	t.Bytes += max(x.Size, x.known())
	t.There += x.There()
}

// ErrNoFiles is returned when files are to be had of an image in which no file system
// is known.
var ErrNoFiles = errors.New("no file system is known in the image")

// known is an ErrNoFiles where no file is known; it says whether reading may change
// that.
func (f *Files) known() error {
	if f.Volume.Root != nil || f.found != nil && len(f.found.finds) > 0 {
		return nil
	}
	if n := f.Volume.Structures.Needed.Count(); n > 0 {
		return fmt.Errorf("%w; %d sectors that may tell of one are missing", ErrNoFiles, n)
	}
	return ErrNoFiles
}

// Choosy tells whether not all of the disc is wanted.
func (f *Files) Choosy() bool { return len(f.m.Wanted().Names) > 0 }
