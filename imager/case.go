package imager

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Case is a case that this process writes into. It holds the case's lock; it is
// for one goroutine.
type Case struct {
	Dir  string
	m    *mapfile.Map
	disk disk
	now  func() time.Time
	lock *lock
	f    *os.File // the image, for reading back; nil in tests on a disk that is none

	short error // an ErrShort: the image is shorter than the map says
}

// Writer says who opens a case for writing.
type Writer struct {
	Command string           // for those who find the case in use
	CaseID  string           // of a case that is made new; it should be unlike any other
	Now     func() time.Time // the wall clock
}

// Exists tells whether dir holds a case; false where a new one may be made
// there. ErrNotEmpty is returned when dir holds something else.
func Exists(dir string) (bool, error) {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case errors.Is(err, syscall.ENOTDIR):
		return false, fmt.Errorf("%s: %w, but a file; a case is a folder", dir, ErrNoCase)
	case err != nil:
		return false, err
	}
	foreign := ""
	for _, e := range entries {
		switch e.Name() {
		case mapName:
			return true, nil
		case imageName, lockName, mapName + ".new":
			// A making that a power cut ended: the map comes last.
		default:
			foreign = e.Name()
		}
	}
	if foreign != "" {
		return false, fmt.Errorf("%s: %w (%s, for one); name a new folder", dir, ErrNotEmpty, foreign)
	}
	return false, nil
}

// Create makes a case in dir, which must be absent, empty or the rest of an
// unfinished making, and opens it. The case has round 0 and no passes.
func Create(dir string, w Writer, disc mapfile.Disc) (*Case, error) {
	if there, err := Exists(dir); err != nil {
		return nil, err
	} else if there {
		return nil, fmt.Errorf("%s: there is a case already", dir)
	}
	parent := filepath.Dir(filepath.Clean(dir))
	err := os.Mkdir(dir, 0o700)
	made := err == nil
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, NoFolder(dir)
	case errors.Is(err, fs.ErrExist):
		// An empty folder becomes the case, for its owner only; where that can't
		// be had (FAT knows no owners), its files are still theirs alone.
		_ = os.Chmod(dir, 0o700)
	case err != nil:
		return nil, err
	}
	unmake := func(names ...string) { // what could not be made is no case, and is in nobody's way
		if !made {
			return
		}
		for _, name := range append(names, lockName, "") {
			os.Remove(filepath.Join(dir, name))
		}
	}
	l, err := takeLock(dir, w.Command)
	if err != nil {
		if !errors.Is(err, ErrInUse) {
			unmake()
		}
		return nil, err
	}
	if err := makeFiles(dir, parent, w, disc); err != nil {
		unmake(imageName)
		return nil, errors.Join(err, l.release())
	}
	if err := l.release(); err != nil {
		return nil, err
	}
	return Open(dir, w)
}

// makeFiles makes the files of a new case. The map comes last: a folder with a
// map is a whole case. Its making syncs the folder, and with it the image's name.
func makeFiles(dir, parent string, w Writer, disc mapfile.Disc) error {
	if there, err := Exists(dir); err != nil {
		return err
	} else if there { // made by another process, until now
		return fmt.Errorf("%s: there is a case already", dir)
	}
	m := mapfile.New(w.CaseID)
	m.AddRound(mapfile.Round{Opened: w.Now()})
	if err := m.SetDisc(disc); err != nil {
		return err
	}
	if err := makeImage(dir, disc.Sectors); err != nil {
		return err
	}
	if err := mapfile.Create(filepath.Join(dir, mapName), m); err != nil {
		return err
	}
	return syncFolder(parent)
}

// Open opens a case for writing. ErrNoCase, ErrInUse, ErrImage, ErrDiscarded and the
// errors of mapfile.Open are returned when it can't be. What a killed pass left in the
// image is taken out, and what was decided about a conflict is put in.
func Open(dir string, w Writer) (*Case, error) {
	c, err := OpenUnproven(dir, w)
	if err != nil {
		return nil, err
	}
	if c.short != nil {
		err = c.short
	} else if bad := sampleSums(c.m, c.f, sampleAtOpening); len(bad) > 0 {
		err = fmt.Errorf("%s: %w, sector %d for one", dir, ErrRotten, bad[0])
	} else {
		err = c.endInOrder(HowKilled)
	}
	if err == nil {
		_, err = c.takeDecided()
	}
	if err != nil {
		return nil, errors.Join(err, c.Close())
	}
	return c, nil
}

// OpenUnproven opens a case as Open does, but compares nothing and clears
// nothing, and takes an image that is too short: for a check that is about to take
// back what is wrong.
func OpenUnproven(dir string, w Writer) (*Case, error) {
	if there, err := Exists(dir); err != nil && !errors.Is(err, ErrNotEmpty) {
		return nil, err
	} else if !there {
		return nil, fmt.Errorf("%s: %w", dir, ErrNoCase)
	}
	l, err := takeLock(dir, w.Command)
	if err != nil {
		return nil, err
	}
	m, err := mapfile.Open(filepath.Join(dir, mapName))
	if err != nil {
		return nil, errors.Join(err, l.release())
	}
	if err := discarded(dir, m); err != nil {
		return nil, errors.Join(err, l.release())
	}
	f, short := openImageOr(dir, m.Disc().Sectors, os.O_RDWR)
	if short != nil && !errors.Is(short, ErrShort) {
		return nil, errors.Join(short, l.release())
	}
	c := &Case{Dir: dir, m: m, disk: &folder{dir: dir, image: f}, now: w.Now, lock: l, f: f, short: short}
	if short != nil {
		return c, nil
	}
	if err := trim(f, m.Disc().Sectors); err != nil {
		return nil, errors.Join(err, c.Close())
	}
	return c, nil
}

// sampleAtOpening is how many good sectors are compared with their checksums
// when a case is opened for writing: enough to see an image that was changed at
// large, few enough for a slow disk.
const sampleAtOpening = 64

// endInOrder gives every pass that did not end in order its end, and makes what
// is not good read as zeros. A pass that ended in order has left nothing behind.
func (c *Case) endInOrder(how string) error {
	open := false
	for n, p := range c.m.Passes() {
		if p.How != "" {
			continue
		}
		open = true
		p.How = how
		if err := c.m.SetPass(n, p); err != nil {
			return err
		}
	}
	if !open {
		return nil
	}
	good := c.m.In(mapfile.Good)
	whole := sector.Of(sector.Span(0, c.m.Disc().Sectors))
	if err := c.clear(whole.Subtract(&good)); err != nil {
		return fmt.Errorf("clearing what the last pass left in the image: %w", err)
	}
	if err := c.commit(); err != nil {
		return err
	}
	// The snapshot is a copy, and the next checkpoint writes it anew: a disk that
	// is too full for it is no reason to refuse the case.
	_ = c.disk.writeStatus(c.m)
	return nil
}

// commit makes the map durable, and is patient with those who read it.
func (c *Case) commit() error {
	err := mapfile.ErrBusy
	for try := 0; try < finalTries && errors.Is(err, mapfile.ErrBusy); try++ {
		err = c.disk.commit(c.m)
	}
	return err
}

// clear makes the sectors of a set read as zeros and waits until that is durable.
func (c *Case) clear(s sector.Set) error {
	for r := range s.Runs() {
		for part := range written(c.f, r) {
			if err := c.disk.clearImage(part); err != nil {
				return err
			}
		}
	}
	return c.disk.syncImage()
}

// Map is the case's map. It is the case's own: it must not be changed, nor read
// while a pass runs.
func (c *Case) Map() *mapfile.Map { return c.m }

// Close lets go of the case, and leaves its status.json right.
func (c *Case) Close() error {
	var err error
	if c.lock != nil {
		c.leaveStatus()
	}
	if c.f != nil {
		err = c.f.Close()
	}
	if c.lock != nil {
		err = errors.Join(err, c.lock.release())
		c.lock = nil // what is there from now on may be another's
	}
	return err
}

// Load reads a case's map without locking the case: also while a pass runs.
// ErrNoCase is returned when there is none.
func Load(dir string) (*mapfile.Map, error) {
	if err := noCase(dir); err != nil {
		return nil, err
	}
	return mapfile.Open(filepath.Join(dir, mapName))
}

// LoadBare is Load of a map that is only looked at: it is bare (mapfile.OpenBare).
func LoadBare(dir string) (*mapfile.Map, error) {
	if err := noCase(dir); err != nil {
		return nil, err
	}
	return mapfile.OpenBare(filepath.Join(dir, mapName))
}

// Events goes through all events of a case, oldest first, while yield returns true;
// also while a pass runs. Its errors are Load's.
func Events(dir string, yield func(mapfile.Event) bool) error {
	if err := noCase(dir); err != nil {
		return err
	}
	return mapfile.Events(filepath.Join(dir, mapName), yield)
}

// noCase is an ErrNoCase where dir is a file, or a folder without a map.
func noCase(dir string) error {
	switch _, err := os.Stat(filepath.Join(dir, mapName)); {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: %w", dir, ErrNoCase)
	case errors.Is(err, syscall.ENOTDIR):
		return fmt.Errorf("%s: %w, but a file; a case is a folder", dir, ErrNoCase)
	}
	return nil
}
