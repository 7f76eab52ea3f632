package imager

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/pack"
	"turnstone/mapfile"
)

// Packing is what of a case goes into a pass file.
type Packing struct {
	Since int         // what rounds from this one on brought
	Only  *sector.Set // of that, only these sectors; nil: all
	Now   time.Time

	// Tell is told how many bytes of how many are packed; may be nil.
	Tell func(done, all int64)
}

// Packed is what went into a pass file.
type Packed struct {
	Sectors int64      // of the image
	Others  int64      // other sides of conflicts
	FormTwo int64      // sectors of form 2, which a case keeps beside its image
	Bytes   int64      // of the file
	Lost    sector.Set // good ones that can't be read as they came: not packed
}

// ErrNothingToPack is returned when no good sector is among what is to be packed.
var ErrNothingToPack = errors.New("nothing good to pack")

// Pack writes a pass file of the case in dir: its map, good sectors, and both sides of
// what is in conflict among them. Each sector is held against its checksum first. The case
// is only read, and a pass may run meanwhile: what is good then is packed.
//
// ErrNothingToPack is returned, and mapfile.ErrUnknown where the case has no such round,
// before anything is written; the error of ctx when it ends, and what was written has no
// end then.
func Pack(ctx context.Context, dir string, out io.Writer, p Packing) (res Packed, err error) {
	s, values, err := openForPacking(dir)
	if err != nil {
		return res, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	return s.pack(ctx, values, out, p)
}

// pack is Pack of a case of whose map these are the values.
func (s *Source) pack(ctx context.Context, values []mapfile.Value, out io.Writer, p Packing) (res Packed, err error) {
	if p.Since < 0 || p.Since >= len(s.m.Rounds()) {
		return res, fmt.Errorf("round %d: %w", p.Since, mapfile.ErrUnknown)
	}
	if p.Tell == nil {
		p.Tell = func(done, all int64) {}
	}
	list := s.toPack(p)
	if list.Image.Empty() && list.Raw.Empty() {
		return res, ErrNothingToPack
	}
	head := pack.Head{Case: s.id, Made: p.Now, Since: p.Since, Only: p.Only != nil}
	w, err := pack.NewWriter(out, head, values, list)
	if err != nil {
		return res, err
	}
	hauls := s.packHauls(list)
	all := int64(0)
	for i := range hauls {
		all += hauls[i].count() * sector.Size
	}
	all += list.Raw.Count() * device.RawSize
	for _, h := range hauls {
		if err = res.add(ctx, w, h, func(done int64) { p.Tell(done, all) }); err != nil {
			return res, errors.Join(err, w.Abort())
		}
	}
	if err = res.addRaw(ctx, w, s.two, list.Raw, func(done int64) { p.Tell(done, all) }); err != nil {
		return res, errors.Join(err, w.Abort())
	}
	res.Bytes, err = w.Close()
	return res, err
}

// PackFile is Pack into a new file, for its owner only, which has its name once it is
// whole and durable. An error that is fs.ErrExist is returned where there is one already.
func PackFile(ctx context.Context, dir, file string, p Packing) (res Packed, err error) {
	err = makeFile(file, func(w io.Writer) (err error) {
		res, err = Pack(ctx, dir, w, p)
		return err
	})
	return res, err
}

// openForPacking opens the case in dir as a source that others may write into.
func openForPacking(dir string) (*Source, []mapfile.Value, error) {
	if err := noCase(dir); err != nil {
		return nil, nil, err
	}
	// The map first: all that it calls good is in the image that is opened after it.
	values, err := mapfile.Values(filepath.Join(dir, mapName))
	if err != nil {
		return nil, nil, err
	}
	m, err := mapfile.FromValues(values, math.MaxInt64)
	if err != nil {
		return nil, nil, err
	}
	if err := discarded(dir, m); err != nil {
		return nil, nil, err
	}
	f, err := os.Open(filepath.Join(dir, imageName))
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%s: %w: there is no image", dir, ErrImage)
	}
	if err != nil {
		return nil, nil, err
	}
	two, err := loadFormTwo(dir)
	if err != nil {
		return nil, nil, errors.Join(err, f.Close())
	}
	s := &Source{Name: dir, id: m.CaseID(), disc: m.Disc(), m: m, two: two, hold: []io.Closer{f},
		from: plainSupply{f, func(pass int, p []byte, at sector.LBA) error { return readKept(dir, pass, p, at) }}}
	return s, values, nil
}

// toPack is what a packing takes of the source. A conflict goes with both its sides, if a
// round that is packed brought one of them.
func (s *Source) toPack(p Packing) (l pack.List) {
	passes := s.m.Passes()
	for n, pass := range passes {
		if pass.Round >= p.Since {
			won := s.m.WonSet(n)
			l.Image = l.Image.Union(&won)
		}
	}
	for _, c := range s.m.Conflicts() {
		if max(passes[c.KeptPass].Round, passes[c.OtherPass].Round) >= p.Since {
			l.Image.Add(sector.Span(c.At, 1))
			l.Others.Add(sector.Span(c.At, 1))
		}
	}
	if s.two != nil {
		disc := sector.Of(whole(s.disc.Sectors))
		l.FormTwo, l.Raw = s.two.sectors.Intersect(&disc), s.two.since(p.Since)
		l.Raw = l.Raw.Intersect(&disc)
	}
	if p.Only != nil {
		l.Image, l.Others, l.Raw = l.Image.Intersect(p.Only), l.Others.Intersect(p.Only), l.Raw.Intersect(p.Only)
	}
	return l
}

// packHauls is what is listed, in the order of a pass file.
func (s *Source) packHauls(l pack.List) []haul {
	n := len(s.m.Passes())
	hauls := make([]haul, 2*n)
	sums := make([]map[sector.LBA]uint32, n)
	for i := range n {
		won := s.m.WonSet(i)
		hauls[i] = s.haul(i)
		hauls[i].fresh = won.Intersect(&l.Image)
		hauls[n+i], sums[i] = s.haulBeside(i)
	}
	for _, c := range s.m.Conflicts() {
		if l.Others.Contains(c.At) {
			hauls[n+c.OtherPass].other.Add(sector.Span(c.At, 1))
			sums[c.OtherPass][c.At] = c.Other
		}
	}
	return hauls
}

// add packs a haul, and tells how many bytes are packed.
func (res *Packed) add(ctx context.Context, w *pack.Writer, h haul, tell func(done int64)) error {
	reading, stop := context.WithCancel(ctx)
	parcels, free := h.fetch(reading)
	defer func() { // nothing reads the source any more when this returns
		stop()
		for range parcels {
		}
	}()
	write, count := w.Sectors, &res.Sectors
	if h.beside {
		write, count = w.Others, &res.Others
	}
	for c := range parcels {
		for _, r := range c.lost {
			res.Lost.Add(r)
		}
		for _, r := range c.whole {
			from, end := r.First-c.at.First, r.End-c.at.First
			if err := write(h.pass, r, c.data[from.Offset():end.Offset()]); err != nil {
				return fmt.Errorf("writing the pass file: %w", err)
			}
			*count += r.Count()
		}
		tell((res.Sectors + res.Others) * sector.Size)
		free <- c
	}
	return ctx.Err()
}
