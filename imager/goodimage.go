package imager

import (
	"fmt"
	"io"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
	"turnstone/mapfile"
)

// goodImage is the good sectors of a case's image, each held against its checksum
// before it is believed: an image that rotted, or that somebody wrote to, makes no
// file whole. It is for one goroutine, and for as long as the map does not change.
type goodImage struct {
	read    func(p []byte, at sector.LBA) error // whole sectors of the image
	m       *mapfile.Map
	good    sector.Set
	sectors int64
	rotten  sector.Set // good ones whose bytes did not match

	sums []uint32 // space for those of a piece
}

// newGoodImage is the image of a map on a disc of so many sectors, which may be more
// than the map knows yet.
func newGoodImage(m *mapfile.Map, sectors int64, read func(p []byte, at sector.LBA) error) *goodImage {
	return &goodImage{read: read, m: m, good: goodOf(m), sectors: sectors}
}

// readerOf reads whole sectors of an image in a file.
func readerOf(f io.ReaderAt) func(p []byte, at sector.LBA) error {
	a := ahead{f: f, asked: map[int64]int{}}
	return func(p []byte, at sector.LBA) error {
		if len(p) == sector.Size {
			a.note(at)
		}
		if n, err := f.ReadAt(p, at.Offset()); n < len(p) {
			return fmt.Errorf("image, sector %d: %w", at, err)
		}
		return nil
	}
}

// ahead reads what will soon be asked for. What tells of files is asked for sector by
// sector, by the tree, not by address: on a cold disk that were thousands of moves of its
// head, back and forth over a few dozen megabytes. So where some sectors of a piece were
// asked for the piece is read at once, which costs a disk no more than two moves, and
// leaves the rest of it to the system's cache.
type ahead struct {
	f     io.ReaderAt
	asked map[int64]int // by piece: sectors of it
	buf   []byte
}

const (
	aheadPiece = 512 // sectors, 1 MiB
	aheadFrom  = 4   // sectors asked for, from which on
)

func (a *ahead) note(at sector.LBA) {
	piece := int64(at) / aheadPiece
	if a.asked[piece]++; a.asked[piece] != aheadFrom {
		return
	}
	if a.buf == nil {
		a.buf = make([]byte, aheadPiece*sector.Size)
	}
	_, _ = a.f.ReadAt(a.buf, piece*int64(len(a.buf))) // what can't be read is told when it is asked for
}

// ReadSector is that of tree.Image. A good sector whose bytes do not match is
// missing.
func (g *goodImage) ReadSector(a sector.LBA, buf []byte) error {
	want, _, ok := g.m.Sum(a)
	if !ok {
		return &tree.MissingError{Sector: a}
	}
	if err := g.read(buf[:sector.Size], a); err != nil {
		return err
	}
	if mapfile.Sum(buf[:sector.Size]) != want {
		g.rotten.Add(sector.Span(a, 1))
		return &tree.MissingError{Sector: a}
	}
	return nil
}

// Good is that of tree.Image.
func (g *goodImage) Good() *sector.Set { return &g.good }

// Sectors is that of tree.Image.
func (g *goodImage) Sectors() int64 { return g.sectors }

// readGood fills p with the sectors of r, all of them good, and returns those whose
// bytes do not match.
func (g *goodImage) readGood(p []byte, r sector.Range) (rotten sector.Set, err error) {
	if err := g.read(p, r.First); err != nil {
		return rotten, err
	}
	g.sums = mapfile.AppendSums(g.sums[:0], p)
	known := int64(0)
	for run, sums := range g.m.Sums(r) {
		known += run.Count()
		for i, want := range sums {
			a := run.First + sector.LBA(i)
			if g.sums[a-r.First] != want {
				rotten.Add(sector.Span(a, 1))
			}
		}
	}
	if !rotten.Empty() {
		g.rotten = g.rotten.Union(&rotten)
	}
	if known < r.Count() { // what has no sum is not in the image, but beside it: no reason to complain
		with := g.m.In(mapfile.Good)
		all := sector.Of(r)
		without := all.Subtract(&with)
		rotten = rotten.Union(&without)
	}
	return rotten, nil
}
