package iso9660

import (
	"bytes"
	"strings"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Of the mode in PX, which kind of file (POSIX S_IFMT and its values).
const (
	modeKind    = 0o170000
	modeFolder  = 0o040000
	modeRegular = 0o100000
	modeLink    = 0o120000
)

// longestName bounds what NM entries make up together; POSIX allows 255.
const longestName = 1024

// rock is what Rock Ridge says of a file.
type rock struct {
	name     []byte
	named    bool // NM came to its end
	mode     uint32
	modified time.Time
	target   string
	child    int64 // block of the directory that this stands for, or 0
	moved    bool  // a directory that another record stands for
	sparse   bool
	cut      bool // a part of the entries is missing
	cutAt    sector.LBA
	any      bool
}

// rockRidge reads the entries of a record.
func (w *walk) rockRidge(use []byte) rock {
	var r rock
	var link linkText
	at, whole := w.entries(use, func(signature string, b []byte) {
		switch {
		case signature == "NM" && len(b) >= 1 && !r.named:
			if b[0]&6 == 0 && len(r.name)+len(b) < longestName {
				r.name = append(r.name, b[1:]...)
			}
			r.named = b[0]&1 == 0
		case signature == "PX" && len(b) >= 8:
			r.mode, _ = both32(b)
			r.any = true
		case signature == "TF" && len(b) >= 1:
			if t, ok := modified(b[0], b[1:]); ok {
				r.modified = t
			}
		case signature == "SL" && len(b) >= 1:
			link.add(b[1:])
		case signature == "CL" && len(b) >= 8:
			n, _ := both32(b)
			r.child = int64(n)
		case signature == "RE":
			r.moved = true
		case signature == "SF":
			r.sparse = true
		}
	})
	r.cut, r.cutAt = !whole, at
	r.any = r.any || r.named
	r.named = r.named && len(r.name) > 0
	r.target = link.String()
	return r
}

// modified is the time of modification in a TF entry (RRIP 4.1.6): behind the
// time of creation, where that is there.
func modified(flags byte, b []byte) (time.Time, bool) {
	size := 7
	if flags&128 != 0 {
		size = 17
	}
	at := size * int(flags&1)
	if flags&2 == 0 || at+size > len(b) {
		return time.Time{}, false
	}
	if size == 17 {
		return longTime(b[at:]), true
	}
	return shortTime(b[at:]), true
}

// linkText puts a link's target together (RRIP 4.1.3).
type linkText struct {
	s    strings.Builder
	open bool // the last component goes on
}

func (l *linkText) add(b []byte) {
	for len(b) >= 2 && int(b[1])+2 <= len(b) && l.s.Len() < 4*longestName {
		flags, part := b[0], b[2:2+int(b[1])]
		b = b[2+int(b[1]):]
		if l.s.Len() > 0 && !l.open && !strings.HasSuffix(l.s.String(), "/") {
			l.s.WriteByte('/')
		}
		switch {
		case flags&8 != 0:
			l.s.WriteByte('/')
		case flags&4 != 0:
			l.s.WriteString("..")
		case flags&2 != 0:
			l.s.WriteByte('.')
		default:
			l.s.WriteString(text(bytes.TrimRight(part, "\x00")))
		}
		l.open = flags&1 != 0
	}
}

func (l *linkText) String() string { return l.s.String() }

// kindOf is the node's kind by the mode in PX.
func kindOf(mode uint32) tree.Kind {
	switch mode & modeKind {
	case modeLink:
		return tree.Link
	case modeFolder:
		return tree.Folder
	case modeRegular, 0:
		return tree.Regular
	}
	return tree.Other
}
