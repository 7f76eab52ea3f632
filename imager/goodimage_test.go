package imager

import (
	"testing"

	"turnstone/device/sector"
)

// coldDisk is a disk whose system keeps what was read of it; it counts how often its head
// has to move.
type coldDisk struct {
	kept  map[sector.LBA]bool
	head  sector.LBA
	moves int
	bytes int64
}

func (d *coldDisk) ReadAt(p []byte, off int64) (int, error) {
	r := sector.Range{First: sector.LBA(off / sector.Size), End: sector.LBA((off + int64(len(p))) / sector.Size)}
	for a := r.First; a < r.End; a++ {
		if d.kept[a] {
			continue
		}
		if a < d.head || a > d.head+shortGap {
			d.moves++
		}
		d.kept[a], d.head = true, a+1
		d.bytes += sector.Size
	}
	return len(p), nil
}

// shortGap is so few sectors, kept already, that the head does not move for them.
const shortGap = 8

// What tells of files is asked for back and forth: that moves a cold disk's head a few
// times for each piece of 1 MiB, and does not read what is far from it.
func TestReadsAhead(t *testing.T) {
	const pieces, inPiece = 40, 100
	d := &coldDisk{kept: map[sector.LBA]bool{}}
	read := readerOf(d)
	p := make([]byte, sector.Size)
	for i := range inPiece {
		for k := range pieces {
			at := sector.LBA((k*17%pieces)*aheadPiece + i*37%aheadPiece)
			if err := read(p, at); err != nil {
				t.Fatal(err)
			}
		}
	}
	if most := pieces * (aheadFrom + 1); d.moves > most {
		t.Errorf("%d sectors of %d pieces took %d moves; want %d at most", pieces*inPiece, pieces, d.moves, most)
	}
	if most := int64(pieces * aheadPiece * sector.Size); d.bytes > most {
		t.Errorf("%d bytes were read; want %d at most", d.bytes, most)
	}
	// Where there are few in each piece, nothing else is read.
	d = &coldDisk{kept: map[sector.LBA]bool{}}
	read = readerOf(d)
	for k := range pieces * (aheadFrom - 1) {
		if err := read(p, sector.LBA(k%pieces*aheadPiece+k/pieces*50)); err != nil {
			t.Fatal(err)
		}
	}
	if want := int64(pieces * (aheadFrom - 1) * sector.Size); d.bytes != want {
		t.Errorf("%d bytes were read of few sectors a piece; want %d", d.bytes, want)
	}
}
