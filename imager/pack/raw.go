package pack

import (
	"encoding/binary"
	"hash/crc32"
	"iter"

	"turnstone/device/sector"
)

// Raw is a sector of a CD as a case keeps it beside its image, since it has no place there:
// of mode 2 form 2, as a Video CD's films are.
type Raw struct {
	Data     []byte // RawSize bytes: sync, header and all
	Round    int    // of the station that packed it, which brought it
	Readings int    // of how many readings it was put together; 1: it came as it is
}

// RawSize is the bytes of a raw sector of a CD (ECMA-130, clause 14).
const RawSize = 2352

// In a body a raw sector stands behind its checksum, its round and its readings.
const (
	rawHead  = 4 + 2 + 1 + 1
	rawItem  = rawHead + RawSize
	partRaws = content / rawItem
)

// appendRaw appends what sector reads.
func appendRaw(b []byte, r Raw) []byte {
	from := len(b)
	b = append(b, make([]byte, sumBytes)...)
	b = binary.LittleEndian.AppendUint16(b, uint16(min(r.Round, 1<<16-1)))
	b = append(append(b, byte(min(r.Readings, 255)), 0), r.Data...)
	binary.LittleEndian.PutUint32(b[from:], crc32.Checksum(b[from+sumBytes:], castagnoli))
	return b
}

// Raws goes through the raw sectors of a part in order; a sector without Data does not match
// its checksum. The data is that of the part.
func (p *Part) Raws() iter.Seq2[sector.LBA, Raw] {
	return func(yield func(sector.LBA, Raw) bool) {
		if !p.Raw {
			return
		}
		left := p.Data
		for _, r := range p.Ranges {
			for a := r.First; a < r.End && len(left) >= rawItem; a++ {
				item := left[:rawItem]
				left = left[rawItem:]
				x := Raw{Round: int(binary.LittleEndian.Uint16(item[4:])), Readings: int(item[6])}
				if crc32.Checksum(item[sumBytes:], castagnoli) == binary.LittleEndian.Uint32(item) {
					x.Data = item[rawHead:]
				}
				if !yield(a, x) {
					return
				}
			}
		}
	}
}

// RawSector adds a sector that the case keeps raw, beside its image. The data is copied.
func (w *Writer) RawSector(at sector.LBA, r Raw) error {
	j := w.begin(kindRaw, 0)
	if last := len(j.ranges) - 1; last >= 0 && j.ranges[last].End == at {
		j.ranges[last].End++
	} else {
		j.ranges = append(j.ranges, sector.Span(at, 1))
	}
	if j.data = appendRaw(j.data, r); len(j.data) == partRaws*rawItem {
		w.seal()
	}
	return w.failed()
}
