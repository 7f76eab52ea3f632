package video

import (
	"fmt"
)

// Offsets in the header of VIDEO_TS.IFO. Those of the sheet of facts: 62, 192, 196.
const (
	vmgSets     = 62  // number of title sets, 2 bytes
	menuVOBS    = 192 // of either kind of IFO file
	vmgTitles   = 196 // TT_SRPT
	titleEntry  = 12
	mostTitles  = 99 // of a disc, and title sets [memory]
	titlesBegin = 8
)

// TitleEntry is a title of the disc as the manager tells: the table TT_SRPT [memory],
// checked against dvdauthor's.
type TitleEntry struct {
	Set    int // title set, from 1
	InSet  int // title of the set, from 1
	Angles int
	Parts  int // chapters
}

// ParseManager reads VIDEO_TS.IFO: the disc's titles, in order. An error that matches
// ErrNoInfo, ErrMissing or ErrTable is returned where it can't.
func ParseManager(x *Info) ([]TitleEntry, error) {
	b, err := x.bytes("the header", 0, 256)
	if err != nil {
		return nil, err
	}
	if string(b[:12]) != string(managerID) {
		return nil, ErrNoInfo
	}
	sets := u16(b[vmgSets:])
	b, err = x.table("the table of titles", vmgTitles, 4)
	if err != nil {
		return nil, err
	}
	if len(b) < titlesBegin {
		return nil, fmt.Errorf("the table of titles: %w", ErrTable)
	}
	n := u16(b)
	if n > mostTitles || titlesBegin+n*titleEntry > len(b) {
		return nil, fmt.Errorf("the table of titles: %w: %d titles in %d bytes", ErrTable, n, len(b))
	}
	var titles []TitleEntry
	for i := range n {
		e := b[titlesBegin+i*titleEntry:]
		t := TitleEntry{Angles: int(e[1]), Parts: u16(e[2:]), Set: int(e[6]), InSet: int(e[7])}
		if t.Set < 1 || t.Set > sets || t.InSet < 1 {
			return nil, fmt.Errorf("the table of titles: %w: title %d is title %d of set %d of %d", ErrTable, i+1, t.InSet, t.Set, sets)
		}
		titles = append(titles, t)
	}
	return titles, nil
}
