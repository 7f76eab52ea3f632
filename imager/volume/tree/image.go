package tree

import (
	"errors"
	"fmt"
	"io"

	"turnstone/device/sector"
)

// Image is a disc's image of which some sectors may be missing.
type Image interface {
	// ReadSector fills buf, sector.Size bytes, with the data of sector a. The
	// error is a *MissingError where the image does not hold the sector; any
	// other is the image's own and ends what is being read.
	ReadSector(a sector.LBA, buf []byte) error
	// Good is the sectors that the image holds. It must not change meanwhile.
	Good() *sector.Set
	// Sectors is the size of the disc, good or not, as far as it is known.
	Sectors() int64
}

// ErrMissing is what every *MissingError is.
var ErrMissing = errors.New("sector is missing")

// MissingError is returned when a sector's data is not in the image.
type MissingError struct{ Sector sector.LBA }

func (e *MissingError) Error() string { return fmt.Sprintf("sector %d is missing", e.Sector) }

// Is makes errors.Is(err, ErrMissing) true.
func (e *MissingError) Is(target error) bool { return target == ErrMissing }

// File is an image in anything that reads at an offset: a case's image with the
// set of its good sectors, or an image that is whole.
type File struct {
	data    io.ReaderAt
	good    sector.Set
	sectors int64
}

// Holed is the image of a disc of so many sectors of which the good ones are in
// data, each at its own offset. The set is not copied and must not change.
func Holed(data io.ReaderAt, sectors int64, good *sector.Set) *File {
	disc := sector.Of(sector.Span(0, sectors))
	return &File{data, good.Intersect(&disc), sectors}
}

// Whole is the image in data, size bytes of it, without holes. A last part of
// less than a sector does not count.
func Whole(data io.ReaderAt, size int64) *File {
	n := size / sector.Size
	return &File{data, sector.Of(sector.Span(0, n)), n}
}

// ReadSector is Image's.
func (f *File) ReadSector(a sector.LBA, buf []byte) error {
	if !f.good.Contains(a) {
		return &MissingError{a}
	}
	if _, err := f.data.ReadAt(buf[:sector.Size], a.Offset()); err != nil {
		return fmt.Errorf("image, sector %d: %w", a, err)
	}
	return nil
}

// Good is Image's.
func (f *File) Good() *sector.Set { return &f.good }

// Sectors is Image's.
func (f *File) Sectors() int64 { return f.sectors }
