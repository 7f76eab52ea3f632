package imager

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"turnstone/device/sector"
	"turnstone/imager/pack"
	"turnstone/mapfile"
)

// Source is where a merge takes sectors from: another case, a pass file, or a raw
// image of which somebody knows what is good. Nothing is ever written into it.
type Source struct {
	Name string // its folder or file, as it was opened

	id   string // the case's id; of an image its absolute path
	disc mapfile.Disc
	m    *mapfile.Map // nil of an image
	good sector.Set   // of an image: what is good
	list *pack.List   // of a pass file: what it holds; else nil, all that is good
	two  *formTwo     // of a case: what it keeps of form 2; else nil

	from supply
	hold []io.Closer
}

// supply gives a source's sectors. A merge asks for those that passes brought into the
// source's image pass by pass, for each in order of address, and then likewise for what
// the source keeps beside its image: whoever gives them need not go back.
type supply interface {
	// sectors fills p with neighbouring sectors that a pass brought; beside tells that
	// they are not those of the image. It returns how many whole ones came before an
	// error; one that is an errNoMore says that no others come at all.
	sectors(beside bool, pass int, p []byte, at sector.LBA) (n int, err error)
	// finish is called when all was asked for. It says what is wrong with the supply
	// as a whole, unless ctx ends before that is known.
	finish(ctx context.Context) error
}

// errNoMore is returned when a supply has come to an end that it should not have.
var errNoMore = errors.New("nothing more comes")

// plainSupply gives sectors from where they lie.
type plainSupply struct {
	image io.ReaderAt
	kept  func(pass int, p []byte, at sector.LBA) error
}

func (s plainSupply) sectors(beside bool, pass int, p []byte, at sector.LBA) (int, error) {
	if beside {
		if err := s.kept(pass, p, at); err != nil {
			return 0, err
		}
		return len(p) / sector.Size, nil
	}
	n, err := s.image.ReadAt(p, at.Offset())
	if n == len(p) {
		err = nil
	}
	return n / sector.Size, err
}

func (plainSupply) finish(context.Context) error { return nil }

// OpenSource opens the case in dir for being merged into the one in the folder
// into, and keeps other processes from writing into it until Close. A
// *RefusedError is returned when the two are the same; ErrNoCase, ErrInUse,
// ErrImage, ErrDiscarded and the errors of mapfile.Open when it can't be opened.
func OpenSource(dir, into string) (_ *Source, err error) {
	if sameFile(dir, into) {
		return nil, &RefusedError{dir, "is this very case", ErrSameCase}
	}
	if err := noCase(dir); err != nil {
		return nil, err
	}
	s := &Source{Name: dir}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Close())
		}
	}()
	lock, err := shareLock(dir)
	if err != nil {
		return nil, err
	}
	s.hold = append(s.hold, lock)
	if s.m, err = mapfile.Open(filepath.Join(dir, mapName)); err != nil {
		return nil, err
	}
	if err := discarded(dir, s.m); err != nil {
		return nil, err
	}
	s.id, s.disc = s.m.CaseID(), discTold(s.m.Disc())
	f, err := openImage(dir, s.disc.Sectors, os.O_RDONLY)
	if err != nil {
		return nil, err
	}
	s.hold = append(s.hold, f)
	if s.two, err = loadFormTwo(dir); err != nil {
		return nil, err
	}
	s.from = plainSupply{f, func(pass int, p []byte, at sector.LBA) error { return readKept(dir, pass, p, at) }}
	return s, nil
}

// OpenImageSource opens a raw image of which the sectors of good are good.
// ErrRange is returned when they reach beyond its end.
func OpenImageSource(file string, good sector.Set) (*Source, error) {
	info, err := os.Stat(file)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() { // opening a device may wait for a drive, opening a pipe for a writer
		return nil, fmt.Errorf("%s: not a file; a drive is read with turnstone read", file)
	}
	path, err := filepath.Abs(file)
	if err != nil {
		return nil, err
	}
	if n := info.Size(); n%sector.Size != 0 && n%rawCDSector == 0 {
		return nil, fmt.Errorf("%s: it looks like a raw CD image, with %d bytes a sector; an image with %d is wanted", file, rawCDSector, sector.Size)
	}
	sectors := info.Size() / sector.Size
	if b := good.Bounds(); int64(b.End) > sectors {
		return nil, fmt.Errorf("%s: good up to sector %d, it is said, but the image has %d sectors: %w", file, b.End-1, sectors, ErrRange)
	}
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	return &Source{
		Name: file, id: path, good: good, from: plainSupply{image: f}, hold: []io.Closer{f},
		disc: mapfile.Disc{Kind: "unknown", Sectors: sectors, BlockSectors: 16, Written: sector.Of(sector.Span(0, sectors))},
	}, nil
}

// rawCDSector is the bytes of a whole CD sector (ECMA-130, clause 14).
const rawCDSector = 2352

// Cracked tells whether the source's disc is recorded as cracked.
func (s *Source) Cracked() bool { return s.disc.Seen != nil && s.disc.Seen.Crack == "yes" }

// Close lets go of the source.
func (s *Source) Close() error {
	var err error
	for _, h := range s.hold {
		err = errors.Join(err, h.Close())
	}
	s.hold = nil
	return err
}

// Disc is what the source knows of its disc: what a new case begins with.
func (s *Source) Disc() mapfile.Disc {
	d := s.disc
	d.Written = d.Written.Clone()
	return d
}

// whole is a disc of so many sectors from its start to its end.
func whole(sectors int64) sector.Range { return sector.Span(0, sectors) }

// goodOf is every good sector of a map, whether it belongs to the written area
// or not.
func goodOf(m *mapfile.Map) sector.Set {
	var set sector.Set
	for r := range m.Ranges(mapfile.Good, whole(m.Disc().Sectors)) {
		set.Add(r)
	}
	return set
}

// all is every sector that the source calls good.
func (s *Source) all() sector.Set {
	if s.m == nil {
		return s.good
	}
	return goodOf(s.m)
}

// sum is the checksum of a good sector; of an image that of its bytes, which are
// read into buf.
func (s *Source) sum(a sector.LBA, buf []byte) (uint32, error) {
	if s.m != nil {
		sum, _, ok := s.m.Sum(a)
		if !ok {
			return 0, fmt.Errorf("%s: sector %d is not good", s.Name, a)
		}
		return sum, nil
	}
	if _, err := s.from.sectors(false, 0, buf, a); err != nil {
		return 0, err
	}
	return mapfile.Sum(buf), nil
}

// origin is where what pass n of the source brought came from first, for a merge
// into the case of a map. The passes of a copy of that case are its own as far
// as it has the same ones.
func (s *Source) origin(n int, into *mapfile.Map) *mapfile.Origin {
	if s.m == nil {
		return &mapfile.Origin{Case: s.id}
	}
	p := s.m.Passes()[n]
	if p.Origin != nil {
		return plainOrigin(*p.Origin)
	}
	o := &mapfile.Origin{Case: s.id, Pass: n, Round: p.Round}
	if p.Round > 0 {
		o.Treated = TreatmentsInWords(s.m.Rounds()[p.Round])
	}
	if p.Drive >= 0 {
		o.Drive = s.m.Drives()[p.Drive].Name()
	}
	o = plainOrigin(*o)
	if s.id == into.CaseID() {
		if own := into.Passes(); n >= len(own) || !own[n].Started.Equal(p.Started) {
			o.Case += " (a copy)"
		}
	}
	return o
}
