package mapfile

import (
	"fmt"
	"iter"
	"slices"

	"turnstone/device/sector"
)

// Record notes what a pass learned of the sectors of r.Range.
//
// Sectors that came need their CRC-32C in sums, one each, and become good. A
// sector that was good already stays as it is; if it has another sum, the two
// are a conflict, which is stored, once for each different sum, and returned,
// also when it was known, but not when it was settled (Decide). Sectors that failed become bad if they were untried.
// Where the pass had asked for a sector before, the new run replaces the old.
//
// ErrUnknown is returned when the map has no such pass or the pass no such
// settings, ErrOutside when the range is empty or not on the disc, ErrInvalid
// for an unknown result or the wrong number of sums, ErrBare on a bare map. Nothing is
// noted then.
func (m *Map) Record(pass int, r Run, sums []uint32) ([]Conflict, error) {
	if m.bare {
		return nil, ErrBare
	}
	if err := m.checkRun(pass, r, sums); err != nil {
		return nil, fmt.Errorf("record %v %v by pass %d: %w", r.Range, r.Result, pass, err)
	}
	m.setRun(pass, r.Range, fateOf(r))
	var found []Conflict
	for n, in := range pagesOf(r.Range) {
		var changed bool
		var differ mask
		if r.Result.Came() {
			first := sector.LBA(n) * pageSectors
			shift := int(max(r.Range.First-first, 0))
			changed, differ = m.states.come(n, in, uint16(pass), sums, shift)
			for i := differ.scan(0, 0); i < pageSectors; i = differ.scan(i+1, 0) {
				if c, ok := m.conflict(first+sector.LBA(i), pass, sums[i-shift]); ok {
					found = append(found, c)
				}
			}
			sums = sums[in.count():]
		} else {
			changed = m.states.fail(n, in)
		}
		if changed {
			m.pending.states[n] = true
			m.overtaken(n)
		}
	}
	return found, nil
}

func (m *Map) checkRun(pass int, r Run, sums []uint32) error {
	switch {
	case pass < 0 || pass >= len(m.passes):
		return fmt.Errorf("no such pass: %w", ErrUnknown)
	case r.Range.Empty() || r.Range.First < 0 || int64(r.Range.End) > m.states.sectors:
		return fmt.Errorf("disc of %d sectors: %w", m.states.sectors, ErrOutside)
	case r.Result < Delivered || r.Result > Merged:
		return fmt.Errorf("no such result: %w", ErrInvalid)
	case int(r.Settings) >= max(1, len(m.passes[pass].Settings)):
		return fmt.Errorf("settings %d of %d: %w", r.Settings, len(m.passes[pass].Settings), ErrUnknown)
	case r.Result.Came() && int64(len(sums)) != r.Range.Count(), !r.Result.Came() && len(sums) > 0:
		return fmt.Errorf("%d sums: %w", len(sums), ErrInvalid)
	}
	return nil
}

// runKey names a run page.
type runKey struct {
	pass uint16
	page uint32
}

// hotPage is the run page that was worked on last.
type hotPage struct {
	key   runKey
	inUse bool // fates holds what runs does not have yet
	fates runPage
}

// setRun notes the fate of r's sectors in the pass.
func (m *Map) setRun(pass int, r sector.Range, f fate) {
	for a := r.First; a < r.End; {
		n := uint32(a / runSectors)
		first := sector.LBA(n) * runSectors
		end := min(r.End, first+runSectors)
		m.heat(runKey{uint16(pass), n})
		part := m.hot.fates[a-first : end-first]
		for i := range part {
			part[i] = f
		}
		a = end
	}
}

// heat makes k the hot page.
func (m *Map) heat(k runKey) {
	if m.hot.inUse && m.hot.key == k {
		return
	}
	m.cool()
	m.hot.key, m.hot.inUse = k, true
	m.work = m.pieces(m.work[:0], *m.runs[k.pass].touch(k.page))
	m.hot.fates.set(m.work)
	m.pending.runs[k] = true
}

// cool puts the hot page back among the others.
func (m *Map) cool() {
	if !m.hot.inUse {
		return
	}
	m.hot.inUse = false
	m.work = m.hot.fates.pieces(m.work[:0])
	var space [256]byte // few values are longer
	*m.runs[m.hot.key.pass].touch(m.hot.key.page) = slices.Clone(appendPieces(space[:0], m.work))
}

// pieces decodes a run page of the map, which was proven when it was loaded.
func (m *Map) pieces(dst []piece, value []byte) []piece {
	if value == nil {
		return dst
	}
	dst, _ = decodePieces(dst, value, runSectors, validFate)
	return dst
}

// Runs goes through what the pass asked, in order of address, neighbours that
// fared alike as one. The map must not change meanwhile.
func (m *Map) Runs(pass int) iter.Seq[Run] {
	return func(yield func(Run) bool) {
		if pass < 0 || pass >= len(m.runs) {
			return
		}
		m.cool()
		var open sector.Range
		var fared fate
		var work []piece
		for n, value := range m.runs[pass].all() {
			work = m.pieces(work[:0], *value)
			at := sector.LBA(n) * runSectors
			for _, p := range work {
				part := sector.Span(at, int64(p.n))
				at = part.End
				if fate(p.what) == fared && open.End == part.First {
					open.End = part.End
					continue
				}
				if fared != 0 && !yield(fared.run(open)) {
					return
				}
				open, fared = part, fate(p.what)
			}
		}
		if fared != 0 {
			yield(fared.run(open))
		}
	}
}
