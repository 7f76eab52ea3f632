package imager

import (
	"fmt"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// A pass may end while the drive keeps silent about a request: by the user or the clock in
// the middle of it, or because the drive did not answer anywhere any more. What was asked
// for is then not bad, unless it was a single block that had its full time; and it would
// look as if the pass had never come there. So the pass keeps what it was.

// silent notes the request in whose silence the pass ends, and tells whether it was the
// first, which counts.
func (p *pass) silent(at sector.Range, took time.Duration) bool {
	if p.rec.Silence != nil || at.Empty() {
		return false
	}
	p.rec.Silence = &mapfile.Silence{Sectors: at, Seconds: took.Seconds()}
	return true
}

// silentAt notes the oldest request in hand, of which so many sectors came, and how long
// the drive has been silent since: about all of it, where none came or nobody knows of its
// commands.
func (p *pass) silentAt(good int64, long time.Duration) {
	at := p.asked[0].Range
	at.First += sector.LBA(good)
	if p.silent(at, long) {
		p.why += fmt.Sprintf("; the drive was silent then, for %v: sectors %v are not marked bad for it", long.Round(100*time.Millisecond), at)
	}
}

// SilenceStatus is the request in whose silence a pass ended.
type SilenceStatus struct {
	Sectors sector.Range `json:"sectors"`
	AtMM    float64      `json:"at_mm"`   // where they begin; 0: that is not known
	Seconds float64      `json:"seconds"` // how long the drive was silent, since it last answered anything of the request
	Bad     int64        `json:"bad"`     // of them, those that are bad now
	Untried int64        `json:"untried"` // of them, those that are untried now
}

// silenceOf is that of a pass; nil where it ended in none.
func silenceOf(m *mapfile.Map, p mapfile.Pass) *SilenceStatus {
	if p.Silence == nil {
		return nil
	}
	at := p.Silence.Sectors
	s := &SilenceStatus{Sectors: at, Seconds: p.Silence.Seconds}
	s.AtMM, _ = RadiusOf(m.Disc(), at.First)
	set := sector.Of(at)
	s.Bad, s.Untried = countOf(m, mapfile.Bad, &set), countOf(m, mapfile.Untried, &set)
	return s
}
