package iso9660

import (
	"time"
)

// Flags of a directory record (9.1.6) [memory].
const (
	flagFolder     = 1 << 1
	flagAssociated = 1 << 2
	flagMore       = 1 << 7
)

// The names of a directory's own record and of its parent's (6.8.2.2).
const (
	ownName    = "\x00"
	parentName = "\x01"
)

// A record's length without its name.
const recordHead = 33

// record is a directory record. Its slices lie in the bytes that it was read from.
type record struct {
	block, size uint32
	agree       bool // both ways of block and size
	xa          uint8
	flags       uint8
	interleaved bool
	volume      uint16
	when        time.Time
	name        []byte
	use         []byte // system use
}

func (r *record) folder() bool { return r.flags&flagFolder != 0 }
func (r *record) more() bool   { return r.flags&flagMore != 0 }

// own tells whether r is the record of a directory in that directory.
func (r *record) own() bool { return string(r.name) == ownName && r.folder() }

// allRecords tells whether a sector holds directory records and nothing else.
func allRecords(b []byte) bool {
	n := 0
	for ; len(b) > 0 && b[0] != 0; n++ {
		r, ok := parseRecord(b)
		if !ok || !r.agree {
			return false
		}
		b = b[b[0]:]
	}
	for _, c := range b {
		if c != 0 {
			return false
		}
	}
	return n > 0
}

// parseRecord reads the record at the front of b, whose first byte is its length
// and not 0. It returns false when that is no record.
func parseRecord(b []byte) (record, bool) {
	n := int(b[0])
	if n <= recordHead || n > len(b) {
		return record{}, false
	}
	b = b[:n]
	named := int(b[32])
	if named == 0 || recordHead+named > n {
		return record{}, false
	}
	r := record{xa: b[1], flags: b[25], interleaved: b[26] != 0 || b[27] != 0,
		when: shortTime(b[18:25]), name: b[recordHead : recordHead+named]}
	var sameBlock, sameSize bool
	r.block, sameBlock = both32(b[2:])
	r.size, sameSize = both32(b[10:])
	r.volume, _ = both16(b[28:])
	r.agree = sameBlock && sameSize
	if use := recordHead + named + (named+1)%2; use < n {
		r.use = b[use:]
	}
	return r, true
}
