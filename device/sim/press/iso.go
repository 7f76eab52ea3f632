package press

import (
	"encoding/binary"
	"fmt"
	"time"
)

// isoPlace is where a directory lies in the tree of ISO 9660.
type isoPlace struct {
	first, size int // sector; bytes, whole sectors
	number      int // in the path table, from 1
}

// Where the tree of ISO 9660 lies; it ends before the anchor of UDF.
const (
	isoVolume = 16
	isoPaths  = 96
	isoEnd    = udfAnchor
)

// placeISO gives the directories their sectors. An error is returned where they are too
// large.
func placeISO(all []*entry) error {
	at := isoPaths + 2 // a sector for each path table
	for i, e := range all {
		e.iso = isoPlace{first: at, number: 1 + i}
		e.iso.size = align(len(isoRecords(e)), size)
		at += e.iso.size / size
	}
	if n := len(pathTable(all, le)); at > isoEnd || n > size {
		return fmt.Errorf("the directories end at sector %d, and a path table has %d bytes; there is room before %d, and for %d", at, n, isoEnd, size)
	}
	return nil
}

// describeISO puts down the tree of ISO 9660.
func (d *Disc) describeISO(out *sheet, all []*entry) {
	little := pathTable(all, le)
	out.put(isoPaths, little)
	out.put(isoPaths+1, pathTable(all, be))
	for _, e := range all {
		out.put(e.iso.first, isoRecords(e))
	}
	root := all[0]
	// The primary descriptor (ECMA-119 8.4).
	p := make(table, size)
	p.text(0, "\x01CD001\x01")
	for _, f := range []struct{ at, n int }{{8, 32}, {40, 32}, {190, 4 * 128}, {702, 3 * 37}} {
		for i := range f.n {
			p[f.at+i] = ' '
		}
	}
	p.text(40, d.Label)
	copy(p[80:], both32(d.Sectors))
	copy(p[120:], both16(1))
	copy(p[124:], both16(1))
	copy(p[128:], both16(size))
	copy(p[132:], both32(len(little)))
	le.PutUint32(p[140:], isoPaths)
	be.PutUint32(p[148:], isoPaths+1)
	copy(p[156:], isoRecord("\x00", root.iso.first, root.iso.size, true, d.Made))
	long := d.Made.UTC().Format("20060102150405") + "00\x00"
	for i, t := range []string{long, long, isoNoTime, long} { // made, changed, expires, holds
		p.text(813+17*i, t)
	}
	p.put(881, 1)
	out.put(isoVolume, p)
	out.put(isoVolume+1, []byte("\xffCD001\x01"))
}

const isoNoTime = "0000000000000000\x00"

// isoRecords is the records of a directory (ECMA-119 9.1): itself, the one above, and
// what is in it, none of them across the end of a sector.
func isoRecords(e *entry) []byte {
	var b []byte
	add := func(r []byte) {
		if at := len(b) % size; at+len(r) > size {
			b = append(b, make([]byte, size-at)...)
		}
		b = append(b, r...)
	}
	add(isoRecord("\x00", e.iso.first, e.iso.size, true, e.made))
	add(isoRecord("\x01", e.parent.iso.first, e.parent.iso.size, true, e.parent.made))
	for _, c := range e.children {
		if c.folder {
			add(isoRecord(c.name, c.iso.first, c.iso.size, true, c.made))
		} else {
			add(isoRecord(c.name+";1", c.first, len(c.data), false, c.made))
		}
	}
	return b
}

func isoRecord(name string, first, length int, folder bool, made time.Time) []byte {
	t := made.UTC()
	r := make(table, 33, 33+len(name)+1)
	copy(r[2:], both32(first))
	copy(r[10:], both32(length))
	r.put(18, byte(t.Year()-1900), byte(t.Month()), byte(t.Day()), byte(t.Hour()), byte(t.Minute()), byte(t.Second()))
	if folder {
		r.put(25, 1<<1)
	}
	copy(r[28:], both16(1))
	r.put(32, byte(len(name)))
	r = append(r, name...)
	r = append(r, make(table, len(r)%2)...)
	r.put(0, byte(len(r)))
	return r
}

// pathTable is a path table (ECMA-119 9.4), in an order of bytes.
func pathTable(all []*entry, order binary.AppendByteOrder) (b []byte) {
	for _, e := range all {
		name := e.name
		if e.parent == e {
			name = "\x00"
		}
		b = append(b, byte(len(name)), 0)
		b = order.AppendUint32(b, uint32(e.iso.first))
		b = order.AppendUint16(b, uint16(e.parent.iso.number))
		b = append(b, name...)
		b = append(b, make([]byte, len(name)%2)...)
	}
	return b
}

// both32 and both16 are numbers in both orders of bytes (ECMA-119 7.3.3, 7.2.3).
func both32(n int) []byte { return be.AppendUint32(le.AppendUint32(nil, uint32(n)), uint32(n)) }
func both16(n int) []byte { return be.AppendUint16(le.AppendUint16(nil, uint16(n)), uint16(n)) }
