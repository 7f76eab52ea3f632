package mapfile

import (
	"errors"
	"fmt"
	"slices"
	"unicode/utf8"

	"turnstone/device/sector"
)

// Wanted is what the customer needs from the disc.
type Wanted struct {
	// Names is files by name, as whoever asked for them said; none: everything is
	// wanted, and the rest says nothing.
	Names []string
	// Sectors is what these files lie in, and what tells of them, as far as was known
	// when it was looked up last.
	Sectors sector.Set
	// Beside is what else they lie in, and has no place in an image: a CD's sectors of
	// mode 2 form 2.
	Beside sector.Set
	// Open tells that sectors were missing then that may tell of more.
	Open bool
}

// Limits of what can be wanted.
const (
	maxNames    = 10_000
	maxNameText = 4 << 10 // bytes
)

// Wanted is what the customer needs: a copy.
func (m *Map) Wanted() Wanted { return m.wanted.clone() }

// SetWanted changes what the customer needs; without names, everything. ErrOutside is
// returned when its sectors reach beyond the disc, ErrInvalid for names that are
// empty, no UTF-8, too long or too many.
func (m *Map) SetWanted(w Wanted) error {
	if len(w.Names) > maxNames {
		return fmt.Errorf("%d wanted names: %w", len(w.Names), ErrInvalid)
	}
	for _, n := range w.Names {
		if n == "" || len(n) > maxNameText || !utf8.ValidString(n) {
			return fmt.Errorf("wanted name %.40q: %w", n, ErrInvalid)
		}
	}
	if len(w.Names) == 0 {
		w = Wanted{}
	}
	all := w.Sectors.Union(&w.Beside)
	if b := all.Bounds(); !all.Empty() && (b.First < 0 || int64(b.End) > m.states.sectors) {
		return fmt.Errorf("wanted up to sector %d, disc of %d sectors: %w", b.End, m.states.sectors, ErrOutside)
	}
	m.wanted = w.clone()
	m.pending.wanted = true
	return nil
}

func (w Wanted) clone() Wanted {
	w.Names, w.Sectors, w.Beside = slices.Clone(w.Names), w.Sectors.Clone(), w.Beside.Clone()
	return w
}

// wantedRecord is what is wanted as it stands in the file.
type wantedRecord struct {
	Names   []string   `json:"names,omitempty"`
	Sectors [][2]int64 `json:"sectors,omitempty"` // first sector and number of sectors
	Open    bool       `json:"open,omitempty"`
	Beside  [][2]int64 `json:"beside,omitempty"`
}

func wantedRecordOf(w Wanted) wantedRecord {
	return wantedRecord{w.Names, pairsOf(w.Sectors), w.Open, pairsOf(w.Beside)}
}

// wanted is what the record of a disc of so many sectors tells.
func (r wantedRecord) wanted(sectors int64) (Wanted, error) {
	set, err := setOf(r.Sectors, sectors)
	beside, besideErr := setOf(r.Beside, sectors)
	if err := errors.Join(err, besideErr); err != nil {
		return Wanted{}, fmt.Errorf("wanted: %w", err)
	}
	return Wanted{Names: r.Names, Sectors: set, Open: r.Open, Beside: beside}, nil
}

// pairsOf is a set as it stands in records: first sector and number of sectors of
// each run.
func pairsOf(s sector.Set) (pairs [][2]int64) {
	for r := range s.Runs() {
		pairs = append(pairs, [2]int64{int64(r.First), r.Count()})
	}
	return pairs
}

// setOf is the set of such pairs; an error where they are no maximal runs in order
// on a disc of so many sectors.
func setOf(pairs [][2]int64, sectors int64) (sector.Set, error) {
	end := int64(-1)
	ranges := make([]sector.Range, 0, len(pairs))
	for _, p := range pairs {
		if p[0] <= end || p[1] <= 0 || p[0] > sectors || p[1] > sectors-p[0] {
			return sector.Set{}, fmt.Errorf("sectors %d+%d of a disc of %d", p[0], p[1], sectors)
		}
		end = p[0] + p[1]
		ranges = append(ranges, sector.Span(sector.LBA(p[0]), p[1]))
	}
	return sector.Of(ranges...), nil
}
