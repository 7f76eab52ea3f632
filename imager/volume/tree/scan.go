package tree

import (
	"errors"
	"fmt"

	"turnstone/device/sector"
)

// Class is what a sector is read as.
type Class uint8

const (
	Descriptor Class = iota // of the volume: descriptors, anchors, sequences
	Table                   // path tables, sparing tables, VAT, metadata files
	Directory               // directories, file entries, what they continue in
	classes
)

// The limits that end the reading of any image. A disc of 8.5 GB with 20,000
// files takes some 3 million units of work and 20 MB.
const (
	maxWork     = 96 << 20 // in units of 64 bytes gone through, some 0.1 µs each
	maxMemory   = 72 << 20 // what trees hold, as charged, in bytes
	maxProblems = 1000     // told in words
	cacheSlots  = 1 << 10  // sectors
)

// ErrLimit is returned by Err when the volume has more than Scan will read.
var ErrLimit = errors.New("the file systems hold more than is read of any disc")

// Scan reads an image's structures. It serves one goroutine.
type Scan struct {
	img     Image
	good    *sector.Set
	sectors int64
	cache   [cacheSlots]struct {
		at   sector.LBA
		data []byte
	}
	seen     [classes][]sector.Range
	problems []Problem
	more     int
	work     int64
	memory   int64
	err      error
}

// NewScan begins to read img.
func NewScan(img Image) *Scan {
	return &Scan{img: img, good: img.Good(), sectors: img.Sectors()}
}

// Sectors is the size of the disc.
func (s *Scan) Sectors() int64 { return s.sectors }

// Has tells whether the image holds sector a.
func (s *Scan) Has(a sector.LBA) bool { return s.good.Contains(a) }

// OnDisc tells whether a is a sector of the disc at all.
func (s *Scan) OnDisc(a sector.LBA) bool { return 0 <= a && int64(a) < s.sectors }

// Read is the data of sector a, noted as a structure of class c, missing or not.
// The slice is the caller's to keep and not to change. It is nil where the sector
// is missing, not on the disc, or the reading has come to its end (Err).
func (s *Scan) Read(a sector.LBA, c Class) []byte {
	if s.OnDisc(a) {
		s.note(a, c)
	}
	return s.Peek(a)
}

// Peek is Read of a sector that may be no structure at all.
func (s *Scan) Peek(a sector.LBA) []byte {
	if s.err != nil || !s.Has(a) {
		return nil
	}
	if !s.Work(1) {
		return nil
	}
	slot := &s.cache[uint64(a)%cacheSlots]
	if slot.data != nil && slot.at == a {
		return slot.data
	}
	s.Work(sector.Size / 64)
	buf := make([]byte, sector.Size)
	if err := s.img.ReadSector(a, buf); err != nil {
		if !errors.Is(err, ErrMissing) {
			s.err = err
		}
		return nil
	}
	slot.at, slot.data = a, buf
	return buf
}

// note keeps a among the structures of class c.
func (s *Scan) note(a sector.LBA, c Class) {
	l := s.seen[c]
	if n := len(l); n > 0 && l[n-1].First <= a && a <= l[n-1].End {
		l[n-1].End = max(l[n-1].End, a+1)
		return
	}
	if s.Charge(16) {
		s.seen[c] = append(l, sector.Span(a, 1))
	}
}

// Seen is the sectors that were read, or would have been, as class c.
func (s *Scan) Seen(c Class) sector.Set { return sector.Of(s.seen[c]...) }

// Charge takes n bytes from the memory that trees may take. Where it gives false
// the reading has come to its end.
func (s *Scan) Charge(n int) bool {
	if s.memory += int64(n); s.memory > maxMemory && s.err == nil {
		s.err = ErrLimit
	}
	return s.err == nil
}

// Work takes n units of 64 bytes gone through from the time that the reading may
// take. Where it gives false the reading has come to its end.
func (s *Scan) Work(n int) bool {
	if s.work += int64(n); s.work > maxWork && s.err == nil {
		s.err = ErrLimit
	}
	return s.err == nil
}

// Err is why the reading came to its end before the structures did: ErrLimit, or
// an error of the image. Nil where it did not.
func (s *Scan) Err() error { return s.err }

// Problem is something wrong in the structures, in words.
type Problem struct {
	// Sectors is where; empty where it is at no one place.
	Sectors sector.Range
	// What is wrong, and By what stands in for it: empty where nothing does.
	What, By string
	// Missing tells that Sectors are not in the image, rather than wrong.
	Missing bool
}

func (p Problem) String() string {
	where := ""
	if n := p.Sectors.Count(); n == 1 {
		where = fmt.Sprintf("sector %d: ", p.Sectors.First)
	} else if n > 1 {
		where = fmt.Sprintf("sectors %d-%d: ", p.Sectors.First, p.Sectors.End-1)
	}
	if p.By == "" {
		return where + p.What
	}
	return where + p.What + "; " + p.By
}

// Report keeps a problem, up to a number of them; the rest is counted.
func (s *Scan) Report(p Problem) {
	if len(s.problems) < maxProblems {
		s.problems = append(s.problems, p)
	} else {
		s.more++
	}
}

// Wrong reports that what sector a holds is wrong.
func (s *Scan) Wrong(a sector.LBA, format string, args ...any) {
	p := Problem{Sectors: sector.Span(a, 1)}
	if len(s.problems) < maxProblems { // words cost more than counting
		p.What = fmt.Sprintf(format, args...)
	}
	s.Report(p)
}

// Lacks reports that sector a is needed and missing; by says what stands in.
func (s *Scan) Lacks(a sector.LBA, what, by string) {
	what += " is missing"
	if n := len(s.problems); n > 0 {
		if p := &s.problems[n-1]; p.Missing && p.What == what && p.By == by && p.Sectors.End == a {
			p.Sectors.End++
			return
		}
	}
	s.Report(Problem{Sectors: sector.Span(a, 1), What: what, By: by, Missing: s.OnDisc(a)})
}

// Problems is what was reported, and how many more than were kept.
func (s *Scan) Problems() ([]Problem, int) { return s.problems, s.more }
