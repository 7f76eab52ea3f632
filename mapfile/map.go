package mapfile

import (
	"fmt"
	"math"
	"slices"
	"time"

	"turnstone/device/sector"
)

// Limits of what a map holds. They keep numbers within their fields in the file
// and memory in proportion to what a file really contains.
const (
	maxSectors = 1 << 36 // 128 TiB
	maxPasses  = 1 << 16
)

// Map is everything that a case knows of its disc, in memory. Changes are
// pending until Commit has written them to the file.
//
// A Map is for one goroutine.
type Map struct {
	caseID    string
	disc      Disc // without sizes and written area, which states has
	rounds    []Round
	drives    []Drive
	passes    []Pass
	states    states
	runs      []sparse[[]byte] // by pass, pages of runSectors, as in the file
	conflicts conflicts
	events    []Event // pending
	wanted    Wanted
	closing   Closing
	watched   *Watched // nil: nobody said so

	bare     bool // the good sectors' sums were not kept: see OpenBare
	pending  pending
	file     fileState
	patience time.Duration // how long Commit waits for readers
	hot      hotPage
	work     []piece // space for decoding
}

// New is an empty map in memory: its disc was not recognised yet.
func New(caseID string) *Map {
	return &Map{
		caseID: caseID, disc: Disc{Kind: "unknown"}, conflicts: conflicts{},
		pending: newPending(), patience: commitPatience,
	}
}

// CaseID is the name of the case, as New was given it.
func (m *Map) CaseID() string { return m.caseID }

// Disc is what the case knows of its disc: a copy.
func (m *Map) Disc() Disc {
	d := m.disc
	d.Sectors, d.Written = m.states.sectors, m.states.written
	return d.clone()
}

// SetDisc changes what the case knows of its disc. ErrShrinks is returned when
// the size is known and the new one smaller, ErrLoses when a good sector of the
// written area would no longer belong to it, ErrOutside when the written area
// reaches beyond the disc, ErrInvalid for sizes that no disc has.
func (m *Map) SetDisc(d Disc) error {
	if d.Sectors < 0 || d.Sectors > maxSectors || d.BlockSectors < 0 {
		return fmt.Errorf("disc of %d sectors in blocks of %d: %w", d.Sectors, d.BlockSectors, ErrInvalid)
	}
	if d.Sectors < m.states.sectors {
		return fmt.Errorf("disc of %d sectors, known to have %d: %w", d.Sectors, m.states.sectors, ErrShrinks)
	}
	if w := d.Written.Bounds(); w.First < 0 || int64(w.End) > d.Sectors {
		return fmt.Errorf("written area up to sector %d, disc of %d sectors: %w", w.End, d.Sectors, ErrOutside)
	}
	lost := m.states.written.Subtract(&d.Written)
	for r := range lost.Runs() {
		for good := range m.Ranges(Good, r) {
			return fmt.Errorf("written area without good sectors %v: %w", good, ErrLoses)
		}
	}
	m.states.setDisc(d.Sectors, d.Written.Clone())
	d = d.clone()
	d.Sectors, d.Written = 0, sector.Set{}
	m.disc = d
	m.pending.disc = true
	return nil
}

// Rounds is a copy of the rounds, by number. Their treatments are the map's own
// and must not be changed.
func (m *Map) Rounds() []Round { return slices.Clone(m.rounds) }

// AddRound adds a round and gives its number. A figure that is no number counts
// as not told.
func (m *Map) AddRound(r Round) int {
	n := len(m.rounds)
	m.rounds = append(m.rounds, r.clone())
	m.pending.rounds[n] = true
	return n
}

// SetRound changes a round. ErrUnknown is returned when there is none of that
// number.
func (m *Map) SetRound(n int, r Round) error {
	if n < 0 || n >= len(m.rounds) {
		return fmt.Errorf("round %d: %w", n, ErrUnknown)
	}
	m.rounds[n] = r.clone()
	m.pending.rounds[n] = true
	return nil
}

// Drives is a copy of the drives, by number.
func (m *Map) Drives() []Drive { return slices.Clone(m.drives) }

// AddDrive adds a drive and gives its number. Whether it is one of those known
// is for the caller to say.
func (m *Map) AddDrive(d Drive) int {
	n := len(m.drives)
	m.drives = append(m.drives, d)
	m.pending.drives[n] = true
	return n
}

// SetDrive replaces what is known of a drive. ErrUnknown is returned when the map has
// none of that number.
func (m *Map) SetDrive(n int, d Drive) error {
	if n < 0 || n >= len(m.drives) {
		return fmt.Errorf("drive %d: %w", n, ErrUnknown)
	}
	m.drives[n] = d
	m.pending.drives[n] = true
	return nil
}

// Passes is a copy of the passes, by number.
func (m *Map) Passes() []Pass {
	out := make([]Pass, len(m.passes))
	for n, p := range m.passes {
		out[n] = p.clone()
	}
	return out
}

// AddPass adds a pass and gives its number. ErrUnknown is returned when its
// round or drive is not in the map, ErrFull when the map holds 65,536 passes,
// ErrInvalid for a record that can't be right.
func (m *Map) AddPass(p Pass) (int, error) {
	n := len(m.passes)
	if n == maxPasses {
		return 0, fmt.Errorf("pass %d: %w", n, ErrFull)
	}
	if err := m.checkPass(n, p); err != nil {
		return 0, err
	}
	m.passes = append(m.passes, p.clone())
	m.states.won = append(m.states.won, 0)
	m.runs = append(m.runs, sparse[[]byte]{})
	m.pending.passes[n] = true
	return n, nil
}

// SetPass changes a pass. ErrUnknown is returned when there is none of that
// number, or its round or drive is not in the map, ErrInvalid for a record that
// can't be right, also when settings are taken away that runs may refer to.
func (m *Map) SetPass(n int, p Pass) error {
	if n < 0 || n >= len(m.passes) {
		return fmt.Errorf("pass %d: %w", n, ErrUnknown)
	}
	if err := m.checkPass(n, p); err != nil {
		return err
	}
	if len(p.Settings) < len(m.passes[n].Settings) {
		return fmt.Errorf("pass %d with fewer settings than before: %w", n, ErrInvalid)
	}
	m.passes[n] = p.clone()
	m.pending.passes[n] = true
	return nil
}

func (m *Map) checkPass(n int, p Pass) error {
	switch {
	case p.Round < 0 || p.Round >= len(m.rounds):
		return fmt.Errorf("pass %d in round %d: %w", n, p.Round, ErrUnknown)
	case p.Drive < -1 || p.Drive >= len(m.drives):
		return fmt.Errorf("pass %d by drive %d: %w", n, p.Drive, ErrUnknown)
	case len(p.Settings) > 256:
		return fmt.Errorf("pass %d with %d settings: %w", n, len(p.Settings), ErrInvalid)
	case math.IsNaN(p.Seconds) || math.IsInf(p.Seconds, 0):
		return fmt.Errorf("pass %d of %v s: %w", n, p.Seconds, ErrInvalid)
	}
	return nil
}

// Rot makes a good sector untried: the image's bytes no longer match its sum.
// A sector that is not good is left as it is, and every one on a bare map.
func (m *Map) Rot(a sector.LBA) {
	if !m.bare && m.states.rot(a) {
		m.pending.states[uint32(a/pageSectors)] = true
	}
}
