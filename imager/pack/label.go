package pack

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"

	"turnstone/device/sector"
)

// Of labels: RFC 8878, section 3.1.2, gives skippable frames the magic numbers 0x184D2A50
// to 0x184D2A5F.
const (
	labelMagic = 0x184D2A5B
	labelHead  = 8 // magic 4, length 4
	labelMost  = 1 << 16
	sumBytes   = 4
)

// kind is what a label says that follows it.
type kind uint8

const (
	kindHead    kind = 1
	kindMap     kind = 2
	kindList    kind = 3
	kindSectors kind = 4
	kindOthers  kind = 5
	kindEnd     kind = 6
	kindOption  kind = 128 // from here on a reader passes over what it does not know
	kindFormTwo kind = 128
	kindRaw     kind = 129
)

// known tells whether a reader goes by a kind, or passes over it.
func (k kind) known() bool { return k < kindOption || k == kindFormTwo || k == kindRaw }

// content is the most that a body holds, in bytes; bodyMost the most that it takes: what
// can't be compressed takes 3 bytes more for each 128 KiB, and a frame's head and checksum
// (RFC 8878, sections 3.1.1.1 and 3.1.1.2).
const (
	content  = 1 << 20
	bodyMost = content + content>>8 + 64

	partSectors = content / sector.Size
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// appendLabel appends a label.
func appendLabel(b []byte, k kind, fields []byte) []byte {
	b = binary.LittleEndian.AppendUint32(b, labelMagic)
	b = binary.LittleEndian.AppendUint32(b, uint32(1+len(fields)+sumBytes))
	from := len(b)
	b = append(append(b, byte(k)), fields...)
	return binary.LittleEndian.AppendUint32(b, crc32.Checksum(b[from:], castagnoli))
}

// readLabel reads a label; raw is all its bytes, valid until the next one. ErrCut is
// returned where the file ends, ErrDamaged where no label is.
func readLabel(r *bufio.Reader, buf []byte) (k kind, fields, raw []byte, err error) {
	raw = append(buf[:0], make([]byte, labelHead)...)
	if _, err := io.ReadFull(r, raw); err != nil {
		return 0, nil, nil, ended(err)
	}
	n := binary.LittleEndian.Uint32(raw[4:])
	if binary.LittleEndian.Uint32(raw) != labelMagic || n < 1+sumBytes || n > labelMost {
		return 0, nil, nil, fmt.Errorf("%w: there is no label where one should be", ErrDamaged)
	}
	raw = append(raw, make([]byte, n)...)
	if _, err := io.ReadFull(r, raw[labelHead:]); err != nil {
		return 0, nil, nil, ended(err)
	}
	body := raw[labelHead : len(raw)-sumBytes]
	if crc32.Checksum(body, castagnoli) != binary.LittleEndian.Uint32(raw[len(raw)-sumBytes:]) {
		return 0, nil, nil, fmt.Errorf("%w: a label does not match its checksum", ErrDamaged)
	}
	return kind(body[0]), body[1:], raw, nil
}

// ended is an error of reading: an ErrCut where there is no more.
func ended(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return ErrCut
	}
	return err
}

// fields reads the fields of a label, or a list, in their order. After the first that is
// not there it gives zeros, and bad is set.
type fields struct {
	b   []byte
	bad bool
}

// varint is a number of at most limit.
func (f *fields) varint(limit uint64) uint64 {
	v, n := binary.Uvarint(f.b)
	if f.bad || n <= 0 || v > limit {
		f.bad = true
		return 0
	}
	f.b = f.b[n:]
	return v
}

// bytes is n bytes.
func (f *fields) bytes(n int) []byte {
	if f.bad || n > len(f.b) {
		f.bad = true
		return make([]byte, n)
	}
	b := f.b[:n]
	f.b = f.b[n:]
	return b
}

// next is the range behind the one that ended at end, on a disc of so many sectors.
func (f *fields) next(end sector.LBA, sectors int64) sector.Range {
	left := uint64(sectors - int64(end))
	gap := f.varint(left)
	n := f.varint(left - min(gap, left))
	if n == 0 {
		f.bad = true
	}
	return sector.Span(end+sector.LBA(gap), int64(n))
}

// appendRange appends what next reads.
func appendRange(b []byte, end sector.LBA, r sector.Range) []byte {
	b = binary.AppendUvarint(b, uint64(r.First-end))
	return binary.AppendUvarint(b, uint64(r.Count()))
}
