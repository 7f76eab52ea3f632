package imager

import (
	"context"
	"errors"
	"fmt"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Merging is one merge to be run.
type Merging struct {
	Sources  []*Source
	Round    *int     // of the case, that what comes belongs to; nil: the last one
	Listener Listener // may be nil

	// CheckpointTime and CheckpointBytes are those of a Reading.
	CheckpointTime  time.Duration
	CheckpointBytes int64
}

// Merged is what a merge did.
type Merged struct {
	How  string // HowComplete, HowInterrupted or HowError
	From []Brought
}

// Brought is what one source brought.
type Brought struct {
	Source    string     // its name
	Passes    []int      // passes of the case that it gave rise to
	Won       int64      // sectors that the case lacked
	Conflicts int64      // sectors of which it has other data than was known, whether one reading or several
	Lost      sector.Set // sectors that it calls good and that can't be read, or have other bytes than its checksum says
	FormTwo   int64      // sectors of form 2 that the case lacked beside its image
	Differ    sector.Set // sectors of form 2 of which it has other data than lies beside the image, where that stays
	Absent    sector.Set // sectors of which it has other data than is known, which was not packed into its file

	// Broken is why a pass file gave no more, or is not to be believed as a whole; what
	// came of it was good all the same. An error that is pack.ErrCut, pack.ErrDamaged, or
	// one of reading.
	Broken error
}

// Merge takes what the sources have and the case lacks, one source after the
// other, each sector held against its source's checksum as it comes. What is
// good stays; of sectors that are good here and there and differ, the other side
// is kept beside the image and the conflict recorded. Each pass of a source that
// brings something becomes a pass of the case; a merge that brings nothing
// leaves no trace.
//
// Before anything is written, a *RefusedError is returned where a source is the
// case itself, another disc, or of another size, and mapfile.ErrUnknown where the case
// has no such round. When ctx ends, what came is saved. Other errors are of the case's
// side.
func (c *Case) Merge(ctx context.Context, g Merging) (Merged, error) {
	if g.Listener == nil {
		g.Listener = silent{}
	}
	res := Merged{How: HowComplete}
	last := len(c.m.Rounds()) - 1
	if g.Round == nil {
		g.Round = &last
	}
	if *g.Round < 0 || *g.Round > last {
		return Merged{}, fmt.Errorf("round %d: %w", *g.Round, mapfile.ErrUnknown)
	}
	if err := c.mayMerge(g.Sources); err != nil {
		return Merged{}, err
	}
	for _, s := range g.Sources {
		m := merger{c: c, g: g, s: s, passes: map[int]int{}, how: HowComplete}
		m.brought.Source = s.Name
		err := m.run(ctx)
		res.From = append(res.From, m.brought)
		if err != nil && !errors.Is(err, ctx.Err()) {
			res.How = HowError
			return res, c.besideConflicts(err)
		}
		if ctx.Err() != nil {
			res.How = HowInterrupted
			break
		}
	}
	return res, c.keepWanted()
}

// adopt takes over what the source knows of the disc and the case does not: the
// disc itself where it was not recognised yet, its kind, and sectors outside what
// was taken for the written area.
func (c *Case) adopt(s *Source) error {
	d := c.m.Disc()
	if d.Sectors == 0 {
		seen := d.Seen
		d = s.Disc()
		if seen != nil {
			d.Seen = seen
		}
	}
	if kindUnknown(d.Kind) && !kindUnknown(s.disc.Kind) {
		d.Kind, d.BlockSectors = s.disc.Kind, s.disc.BlockSectors
	}
	good := s.all()
	d.Written = d.Written.Union(&good)
	if now := c.m.Disc(); d.Sectors == now.Sectors && d.Kind == now.Kind && d.Written.Equal(&now.Written) {
		return nil
	}
	return c.learn(d)
}

// merger merges one source. What it takes goes the way of everything that is
// read: image, epoch, checkpoint.
type merger struct {
	c *Case
	g Merging
	s *Source

	passes  map[int]int // the case's passes by the source's
	brought Brought
	other   sector.Set // of which other data was brought
	left    int64      // sectors still to be taken
	how     string
}

// run takes the image's sectors first and then those that the source itself keeps
// beside it.
func (m *merger) run(ctx context.Context) error {
	if err := m.c.adopt(m.s); err != nil {
		return err
	}
	hauls, absent, err := m.s.imageHauls(ctx, m.c.m, m.comparing)
	m.brought.Absent = absent
	if err == nil {
		err = m.take(ctx, hauls)
	}
	if err == nil {
		err = m.take(ctx, m.s.keptHauls(m.c.m))
	}
	if err == nil && m.brought.Broken == nil {
		err = m.takeFormTwo(ctx)
	}
	if err == nil && m.brought.Broken == nil {
		m.brought.Broken = m.s.from.finish(ctx)
		err = ctx.Err()
	}
	if b := m.brought.Broken; b != nil {
		m.g.Listener.Event(mapfile.Event{Time: m.c.now(), Pass: -1, Kind: KindBroken,
			Text: fmt.Sprintf("%s gave no more, or is not to be believed as a whole: %v", m.s.Name, b)})
	}
	return err
}

// take takes hauls in turn, until ctx ends.
func (m *merger) take(ctx context.Context, hauls []haul) error {
	for i := range hauls {
		m.left += hauls[i].count()
	}
	for i := range hauls {
		if hauls[i].empty() || ctx.Err() != nil || m.brought.Broken != nil { // a pass is not begun to be ended at once
			continue
		}
		if err := m.takeOne(ctx, &hauls[i]); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// takeOne takes one haul. The pass for it begins with its first sector that is
// what the source says.
func (m *merger) takeOne(ctx context.Context, h *haul) error {
	reading, stop := context.WithCancel(ctx)
	parcels, free := h.fetch(reading)
	defer func() { // nothing reads the source any more when this returns
		stop()
		for range parcels {
		}
	}()
	var t *intake
	made := m.s.mended(h.pass)
	for p := range parcels {
		for _, r := range p.lost {
			m.lost(t, r)
		}
		if t == nil && len(p.whole) > 0 {
			var err error
			if t, err = m.begin(h.pass); err != nil {
				return err
			}
		}
		if t != nil {
			m.bring(t, p, made)
			t.save()
			if t.err != nil {
				break
			}
		}
		m.left -= p.at.Count()
		m.progress(t, p.at)
		m.brought.Broken = p.end
		free <- p
	}
	if t == nil {
		return ctx.Err()
	}
	if m.brought.Broken != nil {
		t.end(HowInterrupted, "%s gave no more: %v", m.s.Name, m.brought.Broken)
	}
	if ctx.Err() != nil {
		t.end(HowInterrupted, "interrupted")
	}
	t.end(HowComplete, "what %s had of it was taken over", m.s.Name)
	_, err := t.finish()
	return err
}

// begin begins the case's pass for a pass of the source, or takes it up again.
func (m *merger) begin(pass int) (*intake, error) {
	often := rhythm{m.g.CheckpointTime, m.g.CheckpointBytes}.filled()
	if n, known := m.passes[pass]; known {
		t, err := m.c.resume(n, m.g.Listener, often)
		return &t, err
	}
	t, err := m.c.begin(mapfile.Pass{Round: *m.g.Round, Drive: -1, Origin: m.s.origin(pass, m.c.m)}, m.g.Listener, often)
	if err != nil {
		return nil, err
	}
	m.passes[pass] = t.n
	m.brought.Passes = append(m.brought.Passes, t.n)
	return &t, nil
}

// bring puts what is whole of a parcel into the image, or beside it.
func (m *merger) bring(t *intake, p *parcel, made mended) {
	for _, r := range p.whole {
		for !r.Empty() {
			part, attempts := made.next(r)
			from, end := part.First-p.at.First, part.End-p.at.First
			data, sums := p.data[from.Offset():end.Offset()], p.sums[from:end]
			run := mapfile.Run{Range: part, Result: mapfile.Merged, Attempts: attempts}
			if p.fresh {
				t.put(run, data, sums)
				m.brought.Won += part.Count()
			} else {
				t.keep(run, data, sums)
				m.other.Add(part)
				m.brought.Conflicts = m.other.Count()
			}
			r.First = part.End
		}
	}
}

// lost notes sectors that the source calls good and does not have.
func (m *merger) lost(t *intake, r sector.Range) {
	m.brought.Lost.Add(r)
	e := mapfile.Event{Time: m.c.now(), Pass: -1, Kind: KindLost, Range: r,
		Text: fmt.Sprintf("%s calls the sectors %v good, and their bytes there are others, or can't be read", m.s.Name, r)}
	if t == nil {
		m.g.Listener.Event(e)
		return
	}
	e.Pass = t.n
	t.tell(e)
}

// comparing tells that an image is being compared with what is good here.
func (m *merger) comparing(at sector.Range) {
	now := m.c.m.Count(mapfile.Good)
	missing := m.c.m.Count(mapfile.Bad) + m.c.m.Count(mapfile.Untried)
	m.g.Listener.Progress(Progress{Time: m.c.now(), Pass: -1, Round: *m.g.Round,
		Sectors: now + missing, Good: now, Missing: missing, Doing: "compared with " + m.s.Name, At: at})
}

// progress tells where the merge stands; t is nil while nothing came yet.
func (m *merger) progress(t *intake, at sector.Range) {
	if t == nil {
		return
	}
	p := t.progress(m.c.now())
	p.Left, p.Doing, p.At = m.left, "taken over from "+m.s.Name, at
	m.g.Listener.Progress(p)
}
