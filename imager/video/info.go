package video

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
)

// Info is the bytes of an IFO file, as far as they are there.
type Info struct {
	data  []byte
	holes []Span
	// StandsIn tells that bytes of the backup file are among them.
	StandsIn bool
}

// mostInfo bounds what is read of an IFO file. A title set of nine hours and nine angles
// takes some 400 kB.
const mostInfo = 8 << 20

// Errors of reading.
var (
	// ErrNoInfo is returned for a file that is no IFO file of DVD-Video.
	ErrNoInfo = errors.New("no IFO file of DVD-Video")
	// ErrTable is returned where a table that is needed points out of its file, or
	// holds what it can't.
	ErrTable = errors.New("wrong")
)

// ReadInfo reads an IFO file; of what it lacks its backup stands in, which holds the
// same, byte for byte. Where the two differ in a byte that both have, they are not mixed:
// the backup serves alone, if it is whole, and only then. Either may be nil.
func ReadInfo(ifo, backup Source) (*Info, error) {
	a, err := readInfo(ifo)
	if err != nil {
		return nil, err
	}
	b, err := readInfo(backup)
	if err != nil {
		return nil, err
	}
	if a == nil || b != nil && len(a.holes) == 1 && a.holes[0].Len() == int64(len(a.data)) {
		if b != nil {
			b.StandsIn = true
		}
		a, b = b, nil
	}
	if a == nil {
		return nil, ErrNoInfo
	}
	switch {
	case b == nil || len(a.holes) == 0:
	case a.alike(b):
		a.takeFrom(b)
	case len(b.holes) == 0:
		b.StandsIn = true
		return b, nil
	}
	return a, nil
}

func readInfo(src Source) (*Info, error) {
	if src == nil || src.Size() <= 0 {
		return nil, nil
	}
	x := &Info{data: make([]byte, min(src.Size(), mostInfo))}
	size := int64(len(x.data))
	r := newReader(src)
	for pos := int64(0); pos < size; {
		b := r.peek(pos, 1)
		if r.err != nil {
			return nil, r.err
		}
		if len(b) == 0 {
			next := min(r.past(pos), size)
			x.hole(Span{pos, next})
			pos = next
			continue
		}
		pos += int64(copy(x.data[pos:], b))
	}
	return x, nil
}

// hole notes that bytes are missing.
func (x *Info) hole(s Span) {
	if n := len(x.holes); n > 0 && x.holes[n-1].End == s.First {
		x.holes[n-1].End = s.End
		return
	}
	x.holes = append(x.holes, s)
}

// alike tells whether two have the same bytes where both have any.
func (x *Info) alike(o *Info) bool {
	if len(x.data) != len(o.data) {
		return false
	}
	at := 0
	differ := func(end int) bool {
		return end > at && !bytes.Equal(x.data[at:end], o.data[at:end])
	}
	edges := append(slices.Clone(x.holes), o.holes...)
	slices.SortFunc(edges, func(a, b Span) int { return int(a.First - b.First) })
	for _, h := range edges {
		if differ(int(h.First)) {
			return false
		}
		at = max(at, int(h.End))
	}
	return !differ(len(x.data))
}

// takeFrom fills holes with what another has there.
func (x *Info) takeFrom(o *Info) {
	var left []Span
	for _, h := range x.holes {
		copy(x.data[h.First:h.End], o.data[h.First:h.End])
		for _, lost := range o.holes {
			if both := (Span{max(h.First, lost.First), min(h.End, lost.End)}); both.First < both.End {
				clear(x.data[both.First:both.End])
				left = append(left, both)
			}
		}
	}
	x.holes, x.StandsIn = left, true
}

// bytes is n bytes from at on. An error that matches ErrMissing or ErrTable is returned
// where they are not there.
func (x *Info) bytes(what string, at, n int64) ([]byte, error) {
	if at < 0 || n < 0 || at > int64(len(x.data)) || n > int64(len(x.data))-at {
		return nil, fmt.Errorf("%s: %w: it reaches beyond the file's end", what, ErrTable)
	}
	for _, h := range x.holes {
		if h.First < at+n && at < h.End {
			return nil, fmt.Errorf("%s: %w", what, ErrMissing)
		}
	}
	return x.data[at : at+n], nil
}

// table is the table that begins in the sector that a pointer in the header tells of,
// as long as it says itself in the four bytes at lengthAt: the number of its last byte.
func (x *Info) table(what string, pointer int64, lengthAt int64) ([]byte, error) {
	b, err := x.bytes("the pointer to "+what, pointer, 4)
	if err != nil {
		return nil, err
	}
	at := u32(b) * unit
	if at == 0 {
		return nil, fmt.Errorf("%s: %w: there is none", what, ErrTable)
	}
	if b, err = x.bytes(what, at+lengthAt, 4); err != nil {
		return nil, err
	}
	return x.bytes(what, at, u32(b)+1)
}

// Kinds of IFO files, by how they begin.
var (
	managerID = []byte("DVDVIDEO-VMG")
	setID     = []byte("DVDVIDEO-VTS")
)

// InfoKind is what a sector begins that may be the first of an IFO file.
type InfoKind uint8

const (
	NoInfo  InfoKind = iota
	Manager          // VIDEO_TS.IFO, or its backup
	Set              // VTS_nn_0.IFO, or its backup
)

// InfoHead is what the first sector of an IFO file tells of where things lie, in
// sectors counted from the first of the file itself. In the backup the same stands as
// in the file, counted from where the file is.
type InfoHead struct {
	Kind  InfoKind
	Size  int64 // of the file
	Total int64 // of the set: IFO, VOBs and backup
	Menus int64 // where the menus' VOBS begins; 0: there is none
	Films int64 // where that of the titles begins; 0: there is none
}

// ParseInfoHead reads the first sector of an IFO file; the Kind is NoInfo where it is
// none, or tells what can't be.
func ParseInfoHead(b []byte) (h InfoHead) {
	switch {
	case len(b) < unit:
		return h
	case bytes.HasPrefix(b, managerID):
		h.Kind = Manager
	case bytes.HasPrefix(b, setID):
		h.Kind = Set
		h.Films = u32(b[vtsTitles:])
	default:
		return h
	}
	h.Total, h.Size, h.Menus = u32(b[12:])+1, u32(b[28:])+1, u32(b[menuVOBS:])
	if h.Size > h.Total || h.Menus >= h.Total || h.Films >= h.Total || h.Size*unit > mostInfo {
		return InfoHead{}
	}
	return h
}
