package imager

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"turnstone/imager/volume/tree"
)

// Extraction is what is to be written out, and how.
type Extraction struct {
	Names       []string // files by name; none: those that are wanted
	SkipDamaged bool     // write whole files only
	Cut         bool     // write films so that players open them (cut.go)
	// Progress is told how far it is, about every 256 KiB; may be nil.
	Progress func(doneBytes, allBytes int64, name string)
}

// Extracted is what was written out.
type Extracted struct {
	Files       int           `json:"files"` // written, with those that are damaged
	Bytes       int64         `json:"bytes"` // of these, as long as they are
	Damaged     []DamagedFile `json:"damaged"`
	Skipped     []string      `json:"skipped"` // damaged, and not wanted so: paths on the disc
	Renamed     []Renamed     `json:"renamed"`
	LeftOut     []LeftOut     `json:"left_out"`
	Interrupted bool          `json:"interrupted"`
	Rotten      int64         `json:"rotten"` // good sectors that were not as they came

	// NotAskedFor is how many files were not written since nobody wants them: where no
	// names are said, and not all of the disc is wanted.
	NotAskedFor int `json:"not_asked_for"`
}

// DamagedFile is a file that was written with zeros where its bytes are missing.
type DamagedFile struct {
	Path     string `json:"path"` // as it was written
	List     string `json:"list"` // the file beside it that tells what is missing
	Missing  int64  `json:"missing_bytes"`
	Disputed int64  `json:"disputed_sectors"`
	Why      string `json:"why"` // it is not certain what belongs to it; "" where it is
}

// Renamed is a file or folder that got another name than on the disc.
type Renamed struct {
	Path string `json:"path"` // on the disc
	As   string `json:"as"`   // where it was written
}

// LeftOut is what was not written at all.
type LeftOut struct {
	Path string `json:"path"` // on the disc
	Why  string `json:"why"`
	File bool   `json:"file"` // it is a regular file: something that the customer misses
}

// Errors of extracting.
var (
	// ErrFolderTaken is returned when files are to be written into a folder that
	// holds something.
	ErrFolderTaken = errors.New("the folder is not empty")
	// ErrOverlap is returned when the files take much more than the disc holds, since
	// they lie over each other.
	ErrOverlap = errors.New("the files lie over each other")
	// ErrRoom is returned when the files do not fit.
	ErrRoom = errors.New("too little room")
)

// noFolder is the ErrFolderTaken of what is no folder at all.
type noFolder struct{}

func (noFolder) Error() string { return "not a folder; name a new one" }
func (noFolder) Unwrap() error { return ErrFolderTaken }

// mostOfDisc is how many times the disc's size files may take together: several names
// of one file are usual, thousands are a trap.
const mostOfDisc = 4

// Extract writes files out into dir, which must be absent or empty. Nothing is written
// outside of it, whatever the names on the disc, and nothing over anything. Each
// file has its name only once it is there in full and durable; a damaged one has
// zeros where bytes are missing, and a list of these beside it. Links are not made.
//
// ErrNoFiles, ErrNoSuchFile, ErrFolderTaken, ErrOverlap and ErrRoom are returned before
// anything is written, other errors with what was written until then. When ctx ends,
// what was written until then stays.
func (f *Files) Extract(ctx context.Context, dir string, o Extraction) (_ Extracted, err error) {
	if err := f.known(); err != nil {
		return Extracted{}, err
	}
	sel, err := selectFiles(f.Volume, f.Asked(o.Names))
	if err != nil {
		return Extracted{}, err
	}
	unsaid := len(o.Names) == 0 // what is wanted may be among what was found, and may not have come yet
	if f.found != nil {
		sel.also(f.found.folder, unsaid && sel.notFound(false) != nil)
	}
	x := extractor{f: f, o: o, sel: sel}
	if unsaid {
		x.wanted()
	} else if err := sel.notFound(false); err != nil {
		return Extracted{}, err
	}
	x.layOut()
	if x.bytes > mostOfDisc*whole(f.img.sectors).Bytes() {
		return Extracted{}, fmt.Errorf("%w: they take %d bytes of a disc of %d; name those that you want",
			ErrOverlap, x.bytes, whole(f.img.sectors).Bytes())
	}
	made, err := emptyFolder(dir)
	if err != nil {
		return Extracted{}, err
	}
	if free, known := roomIn(dir); known && free < x.room {
		if made {
			os.Remove(dir)
		}
		return Extracted{}, fmt.Errorf("%s: %w: the files take %d MB, %d MB are free", dir, ErrRoom, x.room/1e6, free/1e6)
	}
	if x.out, err = openOutbox(dir); err != nil {
		return Extracted{}, err
	}
	err = x.write(ctx)
	if x.res.Interrupted = err != nil && ctx.Err() != nil; x.res.Interrupted {
		err = nil
	}
	if cerr := x.out.close(x.folders, err == nil && !x.res.Interrupted); errors.Is(cerr, err) {
		err = cerr // which holds what was told before
	} else {
		err = errors.Join(err, cerr)
	}
	x.res.Files, x.res.Bytes, x.res.Rotten = x.out.files, x.out.bytes, f.img.rotten.Count()
	return x.res, err
}

// Asked is the names of files that are meant where some are said, or none: those that are
// wanted then, and none where all of the disc is.
func (f *Files) Asked(names []string) []string {
	if len(names) == 0 {
		return f.m.Wanted().Names
	}
	return names
}

// wanted tells what is left out since it did not come yet, and what since nobody wants it.
func (x *extractor) wanted() {
	for i, n := range x.sel.names {
		if x.sel.found[i] == 0 {
			x.res.LeftOut = append(x.res.LeftOut, LeftOut{n.typed, "no directory that is there tells of it", true})
		}
	}
	for e := range x.f.Volume.Files() {
		if !x.sel.has(e) {
			x.res.NotAskedFor++
		}
	}
}

// emptyFolder makes a folder, or takes an empty one.
func emptyFolder(dir string) (made bool, err error) {
	err = os.Mkdir(dir, 0o700)
	switch {
	case err == nil:
		return true, nil
	case errors.Is(err, fs.ErrNotExist):
		return false, NoFolder(dir)
	case !errors.Is(err, fs.ErrExist):
		return false, err
	}
	entries, err := os.ReadDir(dir)
	if errors.Is(err, syscall.ENOTDIR) {
		return false, fmt.Errorf("%s: it is a file, %w", dir, noFolder{})
	}
	if err == nil && len(entries) > 0 {
		err = fmt.Errorf("%s: %w (%s, for one); name a new one", dir, ErrFolderTaken, entries[0].Name())
	}
	return false, err
}

// roomIn is how many bytes are free in a folder.
func roomIn(dir string) (free int64, known bool) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return 0, false
	}
	return int64(st.Bavail) * st.Bsize, true
}

// extractor writes files out.
type extractor struct {
	f     *Files
	o     Extraction
	sel   *selection
	out   *outbox
	res   Extracted
	jobs  []job
	bytes int64 // of the jobs
	room  int64 // that they take: what never came, or was never recorded, takes none
	done  int64

	folders []job // in order, each before what is in it
}

// job is one file or folder to be written.
type job struct {
	File
	as    string // where, below the folder
	list  string // and what is missing of it, where it turns out that something is
	takes string // and a folder for a film's recordings, where they are written apart
}

// write writes the jobs.
func (x *extractor) write(ctx context.Context) error {
	for _, j := range x.jobs {
		if err := x.file(ctx, j); err != nil {
			return err
		}
	}
	return nil
}

// file writes one file. It gets its name with the next batch, its list before it.
func (x *extractor) file(ctx context.Context, j job) error {
	if parts, err := x.cuts(j); err != nil {
		return err
	} else if len(parts) > 0 {
		return x.cutFile(ctx, j, parts)
	}
	w, err := x.out.create(j.as)
	if err != nil {
		return err
	}
	w.counts = true
	l := newLacks(j)
	begun := x.done
	err = x.f.bytesOf(ctx, j.File, func(at tree.Span, what fill, data []byte) error {
		x.done += at.End - at.First
		if x.o.Progress != nil {
			x.o.Progress(x.done, x.bytes, j.as)
		}
		if what == fillData {
			return w.write(data, at.First)
		}
		if what != fillZeros {
			l.add(at, what)
		}
		return nil // a hole: reads as zeros
	})
	x.done = begun + j.known()
	if err == nil {
		err = w.finish(j.known(), j.Modified)
	}
	if err != nil {
		return errors.Join(err, w.drop())
	}
	if l.empty() {
		return x.out.place(w)
	}
	if x.o.SkipDamaged { // what seemed whole was rotten
		x.res.Skipped = append(x.res.Skipped, j.Path())
		return w.drop()
	}
	x.f.disputedSpans(j.File, l.dispute)
	list, err := x.list(j, l.text())
	if err != nil {
		return errors.Join(err, w.drop())
	}
	x.res.Damaged = append(x.res.Damaged, DamagedFile{Path: j.as, List: j.list, Missing: l.missing, Disputed: j.Disputed, Why: j.Why})
	return x.out.place(list, w)
}

// list writes the list of what a file lacks.
func (x *extractor) list(j job, text []byte) (*outFile, error) {
	w, err := x.out.create(j.list)
	if err != nil {
		return nil, err
	}
	if err = w.write(text, 0); err == nil {
		err = w.finish(int64(len(text)), j.Modified)
	}
	if err != nil {
		return nil, errors.Join(err, w.drop())
	}
	return w, nil
}
