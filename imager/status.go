package imager

import (
	"encoding/json"
	"iter"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Status is where a case stands: the document of status --json.
type Status struct {
	Disc      DiscStatus    `json:"disc"`
	Good      int64         `json:"good"`    // sectors of the written area, as the next two
	Bad       int64         `json:"bad"`     //
	Untried   int64         `json:"untried"` //
	Conflicts int64         `json:"conflicts"`
	Rounds    []RoundStatus `json:"rounds"`

	// Of what is missing: asked for in the last round and not given, and not asked
	// for since its treatment (in round 0: never).
	FailedHere int64 `json:"failed_on_this_surface"`
	OpenHere   int64 `json:"not_asked_on_this_surface"`

	// Seen is what the eye saw; null where nobody looked.
	Seen *mapfile.Seen `json:"seen"`
}

// DiscStatus is what is known of the disc.
type DiscStatus struct {
	Kind         string `json:"kind"`
	Sectors      int64  `json:"sectors"`
	BlockSectors int64  `json:"block_sectors"`
	Written      int64  `json:"written"` // sectors of the written area
}

// RoundStatus is what one round won.
type RoundStatus struct {
	Round      int          `json:"round"`
	Treatments []string     `json:"treatments"`
	Won        int64        `json:"won"`
	Passes     []PassStatus `json:"passes"`
}

// PassStatus is what one pass won.
type PassStatus struct {
	Pass        int     `json:"pass"`
	Drive       string  `json:"drive"`
	Won         int64   `json:"won"`
	FailedReads int64   `json:"failed_reads"`
	Seconds     float64 `json:"seconds"`
	Ended       string  `json:"ended"`  // "" while it runs
	Merged      bool    `json:"merged"` // its sectors came from another case or an image

	// Conflicts is how many sectors it gave otherwise than they are in the image,
	// of which nothing was decided yet.
	Conflicts int64 `json:"conflicts"`
}

// StatusOf is where the case of a map stands.
func StatusOf(m *mapfile.Map) Status {
	d, conflicts := m.Disc(), m.InConflict()
	s := Status{
		Disc: DiscStatus{Kind: d.Kind, Sectors: d.Sectors, BlockSectors: d.BlockSectors, Written: d.Written.Count()},
		Good: m.Count(mapfile.Good), Bad: m.Count(mapfile.Bad), Untried: m.Count(mapfile.Untried),
		Conflicts: conflicts.Count(),
		Rounds:    []RoundStatus{},
	}
	s.FailedHere = failedIn(m, len(m.Rounds())-1)
	s.OpenHere = s.Missing() - s.FailedHere
	s.Seen = d.Seen
	for n, r := range m.Rounds() {
		rs := RoundStatus{Round: n, Treatments: []string{}, Passes: []PassStatus{}}
		for _, t := range r.Treatments {
			rs.Treatments = append(rs.Treatments, t.Typed)
		}
		s.Rounds = append(s.Rounds, rs)
	}
	others := map[int]int64{}
	for _, c := range m.Conflicts() {
		others[c.OtherPass]++
	}
	drives := m.Drives()
	for n, p := range m.Passes() {
		ps := PassStatus{Pass: n, Won: m.Won(n), FailedReads: p.Failed, Seconds: p.Seconds, Ended: p.How,
			Merged: p.Drive < 0, Conflicts: others[n]}
		if p.Drive >= 0 {
			ps.Drive = drives[p.Drive].Name()
		} else if p.Origin != nil {
			ps.Drive = OriginName(*p.Origin)
		}
		rs := &s.Rounds[p.Round]
		rs.Passes = append(rs.Passes, ps)
		rs.Won += ps.Won
	}
	return s
}

// failedIn is how many sectors are missing although they were asked for in a
// round.
func failedIn(m *mapfile.Map, round int) int64 {
	var asked []sector.Range
	for n, p := range m.Passes() {
		if p.Round != round || p.Drive < 0 {
			continue
		}
		for r := range m.Runs(n) {
			if !r.Result.Came() {
				asked = append(asked, r.Range)
			}
		}
	}
	set := sector.Of(asked...)
	missing := set.Count()
	for r := range set.Runs() {
		for good := range m.Ranges(mapfile.Good, r) {
			missing -= good.Count()
		}
	}
	return missing
}

// statusDoc is the status as a JSON document.
func statusDoc(m *mapfile.Map) []byte {
	b, err := json.MarshalIndent(StatusOf(m), "", "  ")
	if err != nil {
		panic("internal error: " + err.Error()) // plain numbers and strings
	}
	return append(b, '\n')
}

// Missing is the number of sectors of the written area that are not good.
func (s Status) Missing() int64 { return s.Bad + s.Untried }

// Missing goes through the sectors of the written area that are not good, as
// maximal ranges in order. The map must not change meanwhile.
func Missing(m *mapfile.Map) iter.Seq[sector.Range] {
	return func(yield func(sector.Range) bool) {
		d := m.Disc()
		for area := range d.Written.Runs() {
			gap := sector.Range{First: area.First, End: area.First}
			for good := range m.Ranges(mapfile.Good, area) {
				gap.End = good.First
				if !gap.Empty() && !yield(gap) {
					return
				}
				gap.First = good.End
			}
			if gap.End = area.End; !gap.Empty() && !yield(gap) {
				return
			}
		}
	}
}
