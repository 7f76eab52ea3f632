package imager

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// What a case folder holds.
const (
	imageName  = "image.iso"
	mapName    = "map.db"
	lockName   = "lock"
	statusName = "status.json"

	ChartsName = "charts" // pictures of the map
)

// disk is the case's side of a pass. All that reaches the case's disk after its
// making goes through it, so that a test can stop the program at every step.
type disk interface {
	// writeImage puts whole sectors into the image.
	writeImage(p []byte, at sector.LBA) error
	// clearImage makes a range of the image read as zeros.
	clearImage(r sector.Range) error
	// syncImage returns when everything written so far is durable.
	syncImage() error
	// readImage fills p with whole sectors of the image.
	readImage(p []byte, at sector.LBA) error
	// writeKept puts a pass's readings beside the image, each sector at its own
	// place: whole sectors that are not for the image.
	writeKept(pass int, p []byte, at sector.LBA) error
	// readKept fills p with sectors that were kept of a pass.
	readKept(pass int, p []byte, at sector.LBA) error
	// syncKept returns when everything kept so far is durable.
	syncKept() error
	// load reads the map as it is on the disk.
	load() (*mapfile.Map, error)
	// commit makes what changed in the map durable; mapfile.ErrBusy is returned
	// when readers hold the file, and the changes wait.
	commit(m *mapfile.Map) error
	// writeStatus replaces status.json by where a map stands, and what lies beside the
	// image.
	writeStatus(m *mapfile.Map) error
}

// folder is the disk of a real case folder.
type folder struct {
	dir   string
	image *os.File
	kept  keeper
}

func (d *folder) writeImage(p []byte, at sector.LBA) error {
	_, err := d.image.WriteAt(p, at.Offset())
	return err
}

func (d *folder) readImage(p []byte, at sector.LBA) error {
	_, err := d.image.ReadAt(p, at.Offset())
	return err
}

// clearImage punches a hole, or writes zeros where the file system knows none.
func (d *folder) clearImage(r sector.Range) error {
	const punchHole, keepSize = 0x02, 0x01 // linux/falloc.h
	err := syscall.Fallocate(int(d.image.Fd()), punchHole|keepSize, r.First.Offset(), r.Bytes())
	if !errors.Is(err, syscall.EOPNOTSUPP) && !errors.Is(err, syscall.ENOSYS) {
		return err
	}
	zeros := make([]byte, min(r.Bytes(), 1<<20))
	for at, end := r.First.Offset(), r.End.Offset(); at < end; at += int64(len(zeros)) {
		if _, err := d.image.WriteAt(zeros[:min(int64(len(zeros)), end-at)], at); err != nil {
			return err
		}
	}
	return nil
}

// syncImage needs the data and whatever the kernel wants for finding it again:
// fdatasync leaves out only times.
func (d *folder) syncImage() error {
	if err := syscall.Fdatasync(int(d.image.Fd())); err != nil {
		return &fs.PathError{Op: "sync", Path: d.image.Name(), Err: err}
	}
	return nil
}

func (d *folder) writeKept(pass int, p []byte, at sector.LBA) error {
	return d.kept.write(d.dir, pass, p, at)
}

func (d *folder) readKept(pass int, p []byte, at sector.LBA) error {
	return readKept(d.dir, pass, p, at)
}

func (d *folder) syncKept() error { return d.kept.sync(d.dir) }

func (d *folder) load() (*mapfile.Map, error) { return mapfile.Open(filepath.Join(d.dir, mapName)) }

func (d *folder) commit(m *mapfile.Map) error { return m.Commit(filepath.Join(d.dir, mapName)) }

// replaceFile puts a file in the place of another, or of none, so that at any
// moment one of the two is there whole.
func replaceFile(path string, data []byte) error {
	tmp := path + ".new"
	f, err := os.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(tmp, path)
	}
	if err != nil {
		os.Remove(tmp)
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// syncFolder makes the names in a folder durable.
func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return syncOpened(f)
}

// syncOpened makes the names in an open folder durable.
func syncOpened(f *os.File) error {
	// Some network file systems refuse to sync a folder; their names are as
	// durable as they get.
	if err := f.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, syscall.ENOTSUP) {
		return err
	}
	return nil
}

// openImage opens the image of a case and proves that it is as long as the map
// says. ErrImage is returned when it is not. It may be longer by zeros: a kill
// leaves them between the image's lengthening and the map's learning of it.
func openImage(dir string, sectors int64, flags int) (*os.File, error) {
	f, err := openImageOr(dir, sectors, flags)
	if errors.Is(err, ErrShort) {
		err = errors.Join(err, f.Close())
		f = nil
	}
	return f, err
}

// openImageOr is openImage that returns an image that is too short as well,
// with ErrShort.
func openImageOr(dir string, sectors int64, flags int) (*os.File, error) {
	path := filepath.Join(dir, imageName)
	f, err := os.OpenFile(path, flags, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: %w: there is no image", path, ErrImage)
	}
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil {
		size, want := info.Size(), sectors*sector.Size
		switch {
		case size < want:
			return f, fmt.Errorf("%s: %w: the image is %d bytes long, the map says %d", path, ErrShort, size, want)
		case size > want && !readsAsZeros(f, want, size):
			err = fmt.Errorf("%s: %w: the image is %d bytes long, the map says %d", path, ErrImage, size, want)
		}
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// trim takes away what a growth left behind the end of an image of so many
// sectors, of which the map was never told.
func trim(f *os.File, sectors int64) error {
	info, err := f.Stat()
	if err != nil || info.Size() == sectors*sector.Size {
		return err
	}
	return lengthen(f, sectors)
}

// makeImage makes the image of a new case, as long as the disc and empty.
func makeImage(dir string, sectors int64) error {
	path := filepath.Join(dir, imageName)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := lengthen(f, sectors); err != nil {
		return err
	}
	return f.Sync()
}

// lengthen sets the image's length. ErrTarget is returned when the file system
// takes no file of that size.
func lengthen(f *os.File, sectors int64) error {
	err := f.Truncate(sectors * sector.Size)
	if errors.Is(err, syscall.EFBIG) || errors.Is(err, syscall.EINVAL) {
		return fmt.Errorf("%w: no file of %d bytes can be made there (%w); put the case on another file system",
			ErrTarget, sectors*sector.Size, err)
	}
	return err
}
