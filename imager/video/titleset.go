package video

import (
	"errors"
	"fmt"
	"slices"
	"sort"
)

// Offsets in the header of VTS_nn_0.IFO, pointers in sectors; those behind 196 [memory],
// checked against dvdauthor's.
const (
	vtsTitles = 196 // the titles' VOBS
	vtsParts  = 200 // VTS_PTT_SRPT: titles and their chapters
	vtsChains = 204 // VTS_PGCIT: program chains
	vtsUnits  = 228 // VTS_VOBU_ADMAP: where units begin
)

// TitleSet is what VTS_nn_0.IFO tells.
type TitleSet struct {
	Titles []Title
	// Units is where the video object units of the titles' VOBS begin, in sectors of
	// it, in order; none where that table is missing or wrong.
	Units []int64
	// Problems is what is missing or wrong, in words.
	Problems []string
}

// Title is a title of a set: its cells in the order in which they are shown.
type Title struct {
	Cells []Cell
	// Lost tells that a program chain of it is missing or wrong, and Cells are not all.
	Lost bool
}

// Cell is a part of a VOBS that is shown in one go. Of several angles only the first
// is among a title's cells.
type Cell struct {
	VOB, ID     int   // cell id within the VOB; 0: not told
	First, Last int64 // sectors of the VOBS, both included
	LastUnit    int64 // sector where its last unit begins
	Shown       Ticks // for how long, by the table
}

// Bytes is what the cell lies in.
func (c Cell) Bytes() Span { return Span{c.First * unit, (c.Last + 1) * unit} }

// Length is for how long it is shown, by the tables.
func (t Title) Length() (n Ticks) {
	for _, c := range t.Cells {
		n += c.Shown
	}
	return n
}

// Bounds of a title set.
const (
	mostChains = 32_767
	mostUnits  = mostInfo / 4
	mostCells  = 255 // of a chain: its number is a byte
)

// ParseTitleSet reads VTS_nn_0.IFO. Each table that is missing or wrong is named among
// the problems; ErrNoInfo, or an error that matches ErrMissing, is returned where not
// even the header is there.
func ParseTitleSet(x *Info) (*TitleSet, error) {
	b, err := x.bytes("the header", 0, 256)
	if err != nil {
		return nil, err
	}
	if string(b[:12]) != string(setID) {
		return nil, ErrNoInfo
	}
	s := &TitleSet{}
	problem := func(err error) {
		if err != nil {
			s.Problems = append(s.Problems, err.Error())
		}
	}
	if s.Units, err = units(x); err != nil {
		problem(err)
	}
	chains, err := x.table("the table of program chains", vtsChains, 4)
	if err != nil {
		problem(err)
		return s, nil
	}
	parts, err := x.table("the table of chapters", vtsParts, 4)
	if err != nil {
		problem(err)
	}
	most := 0
	if len(chains) >= 8 {
		most = u16(chains)
	}
	order, err := chainsOf(parts, most)
	problem(err)
	for _, chain := range order {
		var t Title
		for _, n := range chain {
			cells, err := chainCells(chains, n)
			if err != nil {
				problem(err)
				t.Lost = true
				continue
			}
			t.Cells = append(t.Cells, cells...)
		}
		s.Titles = append(s.Titles, t)
	}
	return s, nil
}

// chainsOf is the program chains of each title, in the order in which its chapters name
// them: VTS_PTT_SRPT, titles' offsets of 4 bytes behind 8, at each of these chapters of
// a chain's and a program's number. Without that table each chain counts as a title.
func chainsOf(parts []byte, most int) (titles [][]int, err error) {
	wrong := fmt.Errorf("the table of chapters: %w", ErrTable)
	if len(parts) < 8 {
		for n := 1; n <= min(most, mostTitles); n++ {
			titles = append(titles, []int{n})
		}
		return titles, nil
	}
	n := u16(parts)
	if n > mostTitles || 8+n*4 > len(parts) {
		return nil, wrong
	}
	for i := range n {
		from, end := u32(parts[8+i*4:]), int64(len(parts))
		if i+1 < n {
			end = u32(parts[8+(i+1)*4:])
		}
		if from < int64(8+n*4) || from > end || end > int64(len(parts)) {
			return titles, wrong
		}
		var chain []int
		for ; from+4 <= end; from += 4 {
			if c := u16(parts[from:]); c > 0 && !slices.Contains(chain, c) && len(chain) < mostCells {
				chain = append(chain, c)
			}
		}
		titles = append(titles, chain)
	}
	return titles, nil
}

// Where things stand in a program chain, and in a cell's entries of its two tables
// [memory], checked against dvdauthor's.
const (
	chainCount  = 3   // number of cells
	chainPlay   = 232 // where the table of cells' playing begins, from the chain on
	chainPlaces = 234 // and that of their ids
	chainLen    = 236
	playLen     = 24
	placeLen    = 4
)

// chainCells is the cells of program chain n, from 1.
func chainCells(table []byte, n int) ([]Cell, error) {
	wrong := func(what string) error { return fmt.Errorf("program chain %d: %w: %s", n, ErrTable, what) }
	if n < 1 || n > mostChains || 8+n*8 > len(table) || n > u16(table) {
		return nil, wrong("there is none")
	}
	at := u32(table[8+(n-1)*8+4:])
	if at+chainLen > int64(len(table)) {
		return nil, wrong("it lies beyond its table's end")
	}
	b := table[at:]
	count, play, places := int(b[chainCount]), u16(b[chainPlay:]), u16(b[chainPlaces:])
	if count > 0 && (play < chainLen || play+count*playLen > len(b)) {
		return nil, wrong("its cells lie beyond the table's end")
	}
	if places < chainLen || places+count*placeLen > len(b) {
		places = 0
	}
	var cells []Cell
	for i := range count {
		e := b[play+i*playLen:]
		// Bits 7 and 6: 1 begins a block of cells, 2 and 3 go on with it; bits 5 and 4:
		// 1 is a block of angles.
		if mode, kind := e[0]>>6, e[0]>>4&3; mode > 1 && kind == 1 {
			continue
		}
		shown, ok := parseTime(e[4:])
		c := Cell{First: u32(e[8:]), LastUnit: u32(e[16:]), Last: u32(e[20:]), Shown: shown}
		if !ok || c.Last < c.First || c.LastUnit < c.First || c.LastUnit > c.Last {
			return nil, wrong(fmt.Sprintf("its cell %d", i+1))
		}
		if places > 0 {
			p := b[places+i*placeLen:]
			c.VOB, c.ID = u16(p), int(p[3])
		}
		cells = append(cells, c)
	}
	return cells, nil
}

// units is where units begin: VTS_VOBU_ADMAP, behind its length 4 bytes for each.
func units(x *Info) ([]int64, error) {
	const what = "the map of units"
	b, err := x.table(what, vtsUnits, 0)
	if err != nil {
		return nil, err
	}
	n := (len(b) - 4) / 4
	if n < 0 || n > mostUnits {
		return nil, fmt.Errorf("%s: %w", what, ErrTable)
	}
	all := make([]int64, 0, n)
	for i := range n {
		at := u32(b[4+i*4:])
		if i > 0 && at <= all[i-1] {
			return nil, fmt.Errorf("%s: %w: its unit %d does not lie behind the one before", what, ErrTable, i+1)
		}
		all = append(all, at)
	}
	return all, nil
}

// unitsIn is those of a map that begin in a cell.
func unitsIn(units []int64, c Cell) []int64 {
	from := sort.Search(len(units), func(i int) bool { return units[i] >= c.First })
	to := sort.Search(len(units), func(i int) bool { return units[i] > c.Last })
	if from >= to || units[from] != c.First {
		return nil // the map is another VOBS's, or wrong
	}
	return units[from:to]
}

// IsMissing tells whether an error says that bytes are missing, rather than wrong.
func IsMissing(err error) bool { return errors.Is(err, ErrMissing) }
