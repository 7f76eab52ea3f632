package udf

import (
	"fmt"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Kinds of files (4/14.6.6, UDF 2.3.5.2).
const (
	kindUnspecified = 0
	kindFolder      = 4
	kindRegular     = 5
	kindStream      = 249 // real-time file, as recorders write them
	kindLink        = 12
)

// How an entry's allocation descriptors are (flags of the ICB tag, bits 0-2).
const (
	formShort    = 0
	formLong     = 1
	formExtended = 2
	formWithin   = 3
)

const (
	longestFile  = 1 << 50 // bytes; beyond any disc, within all sums here
	strategyUp   = 4096
	mostIndirect = 64
)

// entry is a file entry, or an extended one.
type entry struct {
	kind     byte
	form     uint8
	links    uint16
	size     int64
	modified time.Time
	part     uint16 // that short descriptors mean
	at       sector.LBA
	desc     []byte // descriptors, or the file itself
	descAt   int64  // byte of the image
	strategy uint16
}

// parseEntry reads the entry in sector at, of which the location in its partition
// is given. The words tell why it is none.
func (v *volume) parseEntry(b []byte, at sector.LBA, location int64) (*entry, string) {
	var modified, attributes int
	switch tagged(b, location) {
	case tagFE:
		modified, attributes = 84, 168
	case tagEFE:
		modified, attributes = 92, 208
	default:
		return nil, "there is no file entry"
	}
	e := &entry{kind: b[27], form: uint8(le.Uint16(b[34:]) & 7), links: le.Uint16(b[48:]), strategy: le.Uint16(b[20:]),
		modified: timestamp(b[modified:]), at: at}
	size := le.Uint64(b[56:])
	if size > longestFile {
		return nil, "the file entry tells of an impossible size"
	}
	e.size = int64(size)
	// 64 bits, so that the sum of two lengths of 32 can't wrap.
	la, ld := int64(le.Uint32(b[attributes:])), int64(le.Uint32(b[attributes+4:]))
	from := int64(attributes) + 8 + la
	if from+ld > int64(len(b)) {
		return nil, "the file entry's parts are longer than it is"
	}
	e.desc, e.descAt = b[from:from+ld], at.Offset()+from
	return e, ""
}

// read is a block of a partition, from its copy where it is missing or not what
// fits; nil where neither is there. The sectors are those that would have had it.
func (v *volume) read(a address, c tree.Class, fits func(b []byte, at sector.LBA) bool) (b []byte, at sector.LBA, lacks []sector.LBA) {
	p := v.part(a.part)
	if p == nil {
		return nil, 0, nil
	}
	first, copy, _, ok := p.place(int64(a.block))
	if !ok {
		return nil, 0, nil
	}
	for _, at := range []sector.LBA{first, copy} {
		if at < 0 {
			continue
		}
		b := v.s.Read(at, c)
		if b == nil {
			if v.s.OnDisc(at) {
				lacks = append(lacks, at)
			}
			continue
		}
		if fits != nil && !fits(b, at) {
			continue
		}
		if at != first {
			for _, l := range lacks {
				v.s.Lacks(l, "a block of the metadata file", "the mirror serves")
			}
		}
		return b, at, nil
	}
	return nil, 0, lacks
}

// part is the partition of a reference, or nil.
func (v *volume) part(n uint16) part {
	if v.only != nil {
		return v.only
	}
	if int(n) >= len(v.parts) {
		return nil
	}
	return v.parts[n]
}

// entry reads the file entry at an address. Where there is none the words say why,
// and the sectors which of them are missing.
func (v *volume) entry(a address) (e *entry, lacks []sector.LBA, why string) {
	for range mostIndirect {
		wrong := "its file entry is at no known place"
		var next address
		var got *entry
		_, _, lacks = v.read(a, tree.Directory, func(b []byte, at sector.LBA) bool {
			if tagged(b, int64(a.block)) == tagIndirect {
				next = readLong(b[36:]).at
				got, wrong = nil, ""
				return true
			}
			got, wrong = v.parseEntry(b, at, int64(a.block))
			return wrong == ""
		})
		if len(lacks) > 0 {
			return e, lacks, "its file entry is missing"
		}
		switch {
		case wrong != "" && e != nil:
			return e, nil, "" // nothing follows in the chain
		case wrong != "":
			return nil, nil, wrong
		case got == nil:
			a = next
			continue
		}
		got.part = a.part
		e = got
		if e.strategy != strategyUp {
			return e, nil, ""
		}
		a.block++ // a newer one may follow through the indirect entry behind it
	}
	return e, nil, fmt.Sprintf("its file entries make a chain of more than %d", mostIndirect)
}
