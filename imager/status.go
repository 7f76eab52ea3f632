package imager

import (
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
	Repaired  int64         `json:"repaired"` // of the good ones, those put together from raw readings
	Rounds    []RoundStatus `json:"rounds"`

	// Of what is missing, and wanted: asked for in the last round and not given, and
	// not asked for since its treatment (in round 0: never).
	FailedHere int64 `json:"failed_on_this_surface"`
	OpenHere   int64 `json:"not_asked_on_this_surface"`

	// Seen is what the eye saw; null where nobody looked.
	Seen *mapfile.Seen `json:"seen"`

	// FormTwo is where it stands with sectors of 2,324 bytes; null where the disc has
	// none. StatusOf leaves it to StatusIn.
	FormTwo *FormTwoStatus `json:"form2"`

	// Watched is that somebody has watched what there is; null where nobody said so.
	Watched *mapfile.Watched `json:"watched"`

	// Wanted is what the customer needs of it; null where that is everything.
	Wanted *WantedStatus `json:"wanted"`

	// Closing is how the case was ended; null while it is open.
	Closing *mapfile.Closing `json:"closing"`
}

// WantedStatus is where the sectors stand that wanted files lie in.
type WantedStatus struct {
	Names   []string `json:"names"`   // as they were said
	Sectors int64    `json:"sectors"` // with what is needed to find them
	Good    int64    `json:"good"`    // together Sectors, with the next two
	Bad     int64    `json:"bad"`
	Untried int64    `json:"untried"`
	// Open tells that there may be more: what tells of them is missing in part.
	Open bool `json:"open"`
	// NotAskedFor is the sectors of the written area that are missing and not wanted.
	NotAskedFor int64 `json:"not_asked_for"`
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

	// Repaired is how many of those won were put together from raw readings, and
	// RepairReadings the most that one of them took.
	Repaired       int64 `json:"repaired"`
	RepairReadings int   `json:"repair_readings"`

	// Silence is the request that the drive had not answered when the pass ended; null
	// where there was none.
	Silence *SilenceStatus `json:"silence"`

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
	wanted := wantedIn(m)
	s.Wanted = wantedStatus(m, wanted, s)
	s.FailedHere = failedIn(m, len(m.Rounds())-1, wanted)
	s.OpenHere = s.Missing() - s.FailedHere
	s.Seen, s.Watched = d.Seen, m.Watched()
	if c := m.Closing(); c.State != "" {
		s.Closing = &c
	}
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
			Merged: p.Drive < 0, Conflicts: others[n], Drive: passBy(p, drives), Silence: silenceOf(m, p)}
		ps.Repaired, ps.RepairReadings = m.Repaired(n)
		s.Repaired += ps.Repaired
		rs := &s.Rounds[p.Round]
		rs.Passes = append(rs.Passes, ps)
		rs.Won += ps.Won
	}
	return s
}

// wantedIn is the sectors that wanted files lie in; nil where everything is wanted.
// What was looked up while a listing was missing that is there now is not known to be
// all: then everything may be wanted.
func wantedIn(m *mapfile.Map) *sector.Set {
	w := m.Wanted()
	if len(w.Names) == 0 {
		return nil
	}
	if wantedIsOver(m, &w) {
		d := m.Disc()
		return &d.Written
	}
	return &w.Sectors
}

// wantedIsOver tells whether the listing that was missing, when it was looked up what is
// wanted, is there now: then it may be more than is noted.
func wantedIsOver(m *mapfile.Map, w *mapfile.Wanted) bool {
	return w.Open && countOf(m, mapfile.Good, &w.Sectors) == w.Sectors.Count()
}

// wantedStatus is where the wanted sectors stand in a case of which the rest is told.
func wantedStatus(m *mapfile.Map, wanted *sector.Set, s Status) *WantedStatus {
	if wanted == nil {
		return nil
	}
	kept := m.Wanted()
	w := &WantedStatus{Names: kept.Names, Open: kept.Open, Sectors: wanted.Count(),
		Good: countOf(m, mapfile.Good, wanted), Bad: countOf(m, mapfile.Bad, wanted)}
	w.Untried = w.Sectors - w.Good - w.Bad
	written := m.Disc().Written
	inside := written.Intersect(wanted)
	w.NotAskedFor = s.Bad + s.Untried - (inside.Count() - countOf(m, mapfile.Good, &inside))
	return w
}

// countOf is how many sectors of a set are in a state.
func countOf(m *mapfile.Map, state mapfile.State, set *sector.Set) (n int64) {
	for r := range set.Runs() {
		for run := range m.Ranges(state, r) {
			n += run.Count()
		}
	}
	return n
}

// failedIn is how many sectors are missing although they were asked for in a
// round; of those wanted or, where that is nil, of the written area.
func failedIn(m *mapfile.Map, round int, wanted *sector.Set) int64 {
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
	if wanted == nil {
		d := m.Disc()
		wanted = &d.Written // what a drive found to be of form 2 when it was asked for is not in it
	}
	set = set.Intersect(wanted)
	missing := set.Count()
	for r := range set.Runs() {
		for good := range m.Ranges(mapfile.Good, r) {
			missing -= good.Count()
		}
	}
	return missing
}

// Missing is the number of sectors that are not good, of the written area or, where
// not all of it is wanted, of what is.
func (s Status) Missing() int64 {
	if s.Wanted != nil {
		return s.Wanted.Bad + s.Wanted.Untried
	}
	return s.Bad + s.Untried
}

// Wants is how many sectors are wanted, those of the written area or of the wanted
// files, and how many of them are good.
func (s Status) Wants() (good, all int64) {
	if s.Wanted != nil {
		return s.Wanted.Good, s.Wanted.Sectors
	}
	return s.Good, s.Disc.Written
}

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
