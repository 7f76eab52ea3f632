package ruler

import (
	"math/bits"
	"time"

	"turnstone/device/sector"
	"turnstone/device/sim"
)

// Report is what a job came to.
type Report struct {
	Scenario string       `json:"scenario"`
	Order    string       `json:"order"`
	Passes   []PassReport `json:"passes"`
	All      Figures      `json:"all"` // of the job: times are from its start
}

// PassReport is what one pass came to.
type PassReport struct {
	Round    int    `json:"round"`
	Drive    string `json:"drive"`
	NoMedium bool   `json:"no_medium,omitempty"` // the drive found no disc: nothing was asked
	Figures
}

// Figures are the measures of a pass or a job. Counts are in sectors unless said,
// times in virtual seconds from its start.
type Figures struct {
	Missing  int64 `json:"missing"`  // at its start
	Readable int64 `json:"readable"` // of them: one attempt delivers the block as often as not
	Good     int64 `json:"good"`     // of the missing: came
	Bad      int64 `json:"bad"`      // were asked for and did not come
	Untried  int64 `json:"untried"`

	// When so many percent of the readable were good; nil where that was never
	// reached, and where none is readable.
	T50  *float64 `json:"t50"`
	T90  *float64 `json:"t90"`
	T99  *float64 `json:"t99"`
	T999 *float64 `json:"t99_9"`
	T100 *float64 `json:"t100"`
	// Mean is when a readable sector became good, on average; what never came
	// counts with the end. Nil where none is readable.
	Mean *float64 `json:"mean"`

	Seconds     float64 `json:"seconds"`      // until the end
	FailedReads int64   `json:"failed_reads"` // commands, those below among them
	LostTracks  int64   `json:"lost_tracks"`  // commands, those below among them
	Stalls      int64   `json:"stalls"`       // commands
	ReadAgain   int64   `json:"read_again"`   // good sectors that a command covered
}

// tally is what a pass or a job did.
type tally struct {
	missing  bitmap // at its start
	asked    bitmap
	readable []bool // by block
	wins     []win  // in order of time

	failed, lost, stalls, again int64
}

// win is sectors that became good, and when.
type win struct {
	at    time.Duration
	first sector.LBA
	count int32
}

func newTally(missing bitmap) *tally {
	return &tally{missing: missing, asked: make(bitmap, len(missing)), readable: make([]bool, len(missing))}
}

// note takes a command in. What lies behind the block at which it failed was not
// asked for.
func (t *tally) note(c sim.Command, again int64) {
	t.again += again
	reached := c.Range
	if c.Outcome != sim.OK {
		t.failed++
		reached.End = min(reached.End, sector.Span(c.Range.First+sector.LBA(c.Good), 1).Blocks(blockSectors).End)
	}
	switch c.Outcome {
	case sim.LostTrack:
		t.lost++
	case sim.LongSilent:
		t.lost++
		t.stalls++
	}
	t.asked.add(reached)
	if c.Good > 0 {
		t.wins = append(t.wins, win{c.End, c.Range.First, int32(c.Good)})
	}
}

// join adds a pass to a job.
func (t *tally) join(p *tally) {
	t.asked.join(p.asked)
	for b, readable := range p.readable {
		t.readable[b] = t.readable[b] || readable
	}
	t.wins = append(t.wins, p.wins...)
	t.failed += p.failed
	t.lost += p.lost
	t.stalls += p.stalls
	t.again += p.again
}

// figures is what the tally comes to.
func (t *tally) figures(began, ended time.Duration) Figures {
	got := make(bitmap, len(t.missing))
	for _, w := range t.wins {
		got.add(sector.Span(w.first, int64(w.count)))
	}
	f := Figures{
		Missing: t.missing.count(), Good: got.count(), Untried: t.missing.without(t.asked).count(),
		Seconds:     (ended - began).Seconds(),
		FailedReads: t.failed, LostTracks: t.lost, Stalls: t.stalls, ReadAgain: t.again,
	}
	f.Bad = f.Missing - f.Good - f.Untried
	for b, readable := range t.readable {
		if readable {
			f.Readable += int64(bits.OnesCount16(t.missing[b]))
		}
	}
	if f.Readable > 0 {
		t.times(&f, began, ended)
	}
	return f
}

// times works out when the readable became good.
func (t *tally) times(f *Figures, began, ended time.Duration) {
	marks := []struct {
		perMille int64
		at       **float64
	}{{500, &f.T50}, {900, &f.T90}, {990, &f.T99}, {999, &f.T999}, {1000, &f.T100}}
	won, sum := int64(0), 0.0
	for _, w := range t.wins {
		n := int64(0)
		r := sector.Span(w.first, int64(w.count))
		for b := int64(r.First) / blockSectors; b*blockSectors < int64(r.End); b++ {
			if t.readable[b] {
				n += int64(bits.OnesCount16(mask(b, r)))
			}
		}
		won += n
		at := (w.at - began).Seconds()
		sum += float64(float64(n) * at)
		for len(marks) > 0 && won*1000 >= marks[0].perMille*f.Readable {
			*marks[0].at = &at
			marks = marks[1:]
		}
	}
	mean := (sum + float64(float64(f.Readable-won)*f.Seconds)) / float64(f.Readable)
	f.Mean = &mean
}
