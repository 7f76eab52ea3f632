package imager

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Beside the image lie the readings that are not in it: the other side of a
// conflict, or what the image held before a conflict was settled.
//
//	CASE/kept/pass-3.iso   what pass 3 brought and the image does not have:
//	                       sparse, each sector at its own place
//
// The map's conflicts say which sectors of these files count, and have their
// checksums.

// keptName is the folder of what is kept, in the case's folder.
const keptName = "kept"

func keptPath(dir string, pass int) string {
	return filepath.Join(dir, keptName, fmt.Sprintf("pass-%d.iso", pass))
}

// keeper writes what is kept. The zero value is ready; it may be used by several
// goroutines.
type keeper struct {
	mu   sync.Mutex
	open map[int]*os.File // by pass: written to and not synced
}

// write puts whole sectors into the file of a pass, which is made where there is
// none yet.
func (k *keeper) write(dir string, pass int, p []byte, at sector.LBA) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	f := k.open[pass]
	if f == nil {
		err := os.Mkdir(filepath.Join(dir, keptName), 0o700)
		if err != nil && !errors.Is(err, fs.ErrExist) {
			return err
		}
		if f, err = os.OpenFile(keptPath(dir, pass), os.O_RDWR|os.O_CREATE, 0o600); err != nil {
			return err
		}
		if k.open == nil {
			k.open = map[int]*os.File{}
		}
		k.open[pass] = f
	}
	_, err := f.WriteAt(p, at.Offset())
	return err
}

// sync returns when all that was written before it began is durable, with the
// files' names.
func (k *keeper) sync(dir string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.open) == 0 {
		return nil
	}
	for pass, f := range k.open {
		err := syscall.Fdatasync(int(f.Fd()))
		if err != nil {
			err = &fs.PathError{Op: "sync", Path: f.Name(), Err: err}
		}
		if err := errors.Join(err, f.Close()); err != nil {
			return err
		}
		delete(k.open, pass)
	}
	if err := syncFolder(filepath.Join(dir, keptName)); err != nil {
		return err
	}
	return syncFolder(dir)
}

// readKept fills p with whole sectors that a case keeps of a pass.
func readKept(dir string, pass int, p []byte, at sector.LBA) error {
	f, err := os.Open(keptPath(dir, pass))
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = f.ReadAt(p, at.Offset())
	return err
}

// lostSides is the sectors in conflict whose other side is not kept as it came.
func lostSides(dir string, m *mapfile.Map) sector.Set {
	var lost sector.Set
	buf := make([]byte, sector.Size)
	for _, c := range m.Conflicts() {
		if err := readKept(dir, c.OtherPass, buf, c.At); err != nil || mapfile.Sum(buf) != c.Other {
			lost.Add(sector.Span(c.At, 1))
		}
	}
	return lost
}
