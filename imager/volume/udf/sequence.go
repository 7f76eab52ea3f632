package udf

import (
	"fmt"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// mostSequence bounds a volume descriptor sequence, in sectors; UDF asks for 16,
// and mostPointers the places where it goes on.
const (
	mostSequence = 256
	mostPointers = 16
)

// sequence is the prevailing descriptors of the volume.
type sequence struct {
	label   string
	created time.Time
	pvd     int64 // sequence numbers of those that prevail, -1 where there is none
	lvd     int64
	logical []byte // the logical volume descriptor
	parts   map[uint16]partition
	lacks   []sector.LBA // sectors that are missing, or hold no descriptor
	ended   bool
}

// partition is what a partition descriptor says.
type partition struct {
	number int64 // of the sequence
	start  sector.LBA
	length int64 // sectors
}

func newSequence() *sequence {
	return &sequence{pvd: -1, lvd: -1, parts: map[uint16]partition{}}
}

// complete tells whether all is there that the way to a file takes.
func (q *sequence) complete() bool {
	return q.logical != nil && len(q.parts) > 0 && q.ended && len(q.lacks) == 0
}

// take takes a descriptor, if it is of the volume and prevails (3/8.4.2).
func (q *sequence) take(b []byte, kind int) {
	number := int64(le.Uint32(b[16:]))
	switch kind {
	case tagPVD:
		if number > q.pvd {
			q.pvd, q.label, q.created = number, dstring(b[24:56]), timestamp(b[376:])
		}
	case tagPD:
		id := le.Uint16(b[22:])
		if was, ok := q.parts[id]; !ok || number > was.number {
			q.parts[id] = partition{number, sector.LBA(le.Uint32(b[188:])), int64(le.Uint32(b[192:]))}
		}
	case tagLVD:
		if number > q.lvd {
			q.lvd, q.logical = number, b
		}
	}
}

// read reads one sequence, following it where it goes on.
func (q *sequence) read(s *tree.Scan, e extent) {
	q.ended = false
	q.lacks = nil
	for range mostPointers {
		var next extent
		for i := range min(e.Count(), mostSequence) {
			a := e.First + sector.LBA(i)
			b := s.Read(a, tree.Descriptor)
			kind := tagged(b, int64(a))
			switch {
			case b == nil:
				q.lacks = append(q.lacks, a)
			case kind == tagEnd || kind == 0 && blank(b):
				q.ended = true
			case kind == 0:
				s.Wrong(a, "a descriptor of the volume is wrong in itself")
				q.lacks = append(q.lacks, a)
			case kind == tagPointer:
				next = readExtent(b[20:])
			default:
				q.take(b, kind)
			}
			if q.ended {
				return
			}
		}
		if next.Empty() {
			q.ended = true // full to its end
			return
		}
		e = next
	}
}

func blank(b []byte) bool {
	for _, c := range b {
		if c != 0 {
			return false
		}
	}
	return true
}

// sequences reads the main sequence, and of the reserve what that one lacks.
func (v *volume) sequences(main, reserve extent) {
	q := newSequence()
	v.seq = q
	q.read(v.s, main)
	lacks, by := q.lacks, ""
	if !q.complete() && !reserve.Empty() && reserve != main {
		q.read(v.s, reserve)
		if by = "the reserve sequence serves"; len(q.lacks) > 0 {
			lacks, by = append(lacks, q.lacks...), "what is there of both sequences serves"
		}
	} else if len(lacks) > 0 {
		by = "what is there of the sequence serves"
	}
	if q.logical == nil || len(q.parts) == 0 {
		by = ""
	}
	for _, a := range lacks {
		if !v.s.Has(a) {
			v.s.Lacks(a, "a descriptor of the volume", by)
		}
	}
}

// searchSequence looks for the descriptors where writers put them, there being no
// anchor to tell.
func (v *volume) searchSequence(session sector.LBA) {
	q := newSequence()
	found := sector.LBA(-1)
	end := sector.LBA(v.s.Sectors())
	look := func(from, to sector.LBA) {
		for a := max(0, from); a < min(to, end); a++ {
			b := v.s.Peek(a)
			if kind := tagged(b, int64(a)); kind == tagPVD || kind == tagPD || kind == tagLVD {
				v.s.Read(a, tree.Descriptor)
				q.take(b, kind)
				if found < 0 {
					found = a
				}
			}
		}
	}
	look(session+sequenceFrom, session+sequenceTo)
	if q.logical == nil || len(q.parts) == 0 {
		look(end-sequenceTo, end)
	}
	v.seq = q
	by := ""
	if q.logical != nil && len(q.parts) > 0 {
		by = fmt.Sprintf("the descriptors found from sector %d on serve", found)
	}
	for _, a := range v.missing {
		v.s.Lacks(a, "what may be an anchor", by)
	}
}
