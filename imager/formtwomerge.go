package imager

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
	"turnstone/imager/pack"
	"turnstone/mapfile"
)

// What a case keeps of form 2 travels as its image does, with how it came: into pass files
// and out of them, and from case to case. There are no checksums to hold it against: a raw
// sector says whose place it has, and proves itself by its EDC or came without doubt where
// it was read; a pass file has checksums for the way. What is there already stays; where
// the source has other data of it, that is told with both checksums, and not kept.

// raws gives raw sectors of form 2 of a case, those of a set; without data where they can't
// be read.
func (s *formTwo) raws(ctx context.Context, set sector.Set, do func(a sector.LBA, x pack.Raw) error) error {
	if set.Empty() {
		return nil
	}
	f, err := os.Open(filepath.Join(s.dir, formTwoName))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	defer f.Close() // nil has none
	buf := make([]byte, device.RawSize)
	for r := range set.Runs() {
		for a := r.First; a < r.End; a++ {
			if err := ctx.Err(); err != nil {
				return err
			}
			x := pack.Raw{Data: buf, Round: s.round(a), Readings: s.readings(a)}
			if _, err := f.ReadAt(buf, int64(a)*device.RawSize); err != nil {
				x.Data = nil
			}
			if err := do(a, x); err != nil {
				return err
			}
		}
	}
	return nil
}

// addRaw packs raw sectors of a case, and tells how many bytes are packed.
func (res *Packed) addRaw(ctx context.Context, w *pack.Writer, two *formTwo, set sector.Set, tell func(done int64)) error {
	before := (res.Sectors + res.Others) * sector.Size
	if set.Empty() {
		return nil
	}
	return two.raws(ctx, set, func(a sector.LBA, x pack.Raw) error {
		if _, ok := rawHolds(a, x.Data); !ok {
			res.Lost.Add(sector.Span(a, 1))
			return nil
		}
		if err := w.RawSector(a, x); err != nil {
			return fmt.Errorf("writing the pass file: %w", err)
		}
		res.FormTwo++
		tell(before + res.FormTwo*device.RawSize)
		return nil
	})
}

// formTwo is what the source knows of form 2: the disc's sectors, and those that it has.
func (s *Source) formTwo() (sectors, there sector.Set) {
	switch {
	case s.list != nil:
		return s.list.FormTwo, s.list.Raw
	case s.two != nil:
		return s.two.sectors, s.two.good
	}
	return sector.Set{}, sector.Set{}
}

// raws gives the raw sectors of a set that the source has, and maybe others.
func (s *Source) raws(ctx context.Context, set sector.Set, do func(a sector.LBA, x pack.Raw) error) error {
	if p, ok := s.from.(*packedSupply); ok {
		return p.raws(ctx, do)
	}
	return s.two.raws(ctx, set, do)
}

// takeFormTwo takes what the source has of form 2 and the case lacks.
func (m *merger) takeFormTwo(ctx context.Context) error {
	disc := m.c.m.Disc()
	sectors, there := m.s.formTwo()
	good, area := m.c.m.In(mapfile.Good), sector.Of(sector.Span(0, min(mostFormTwo, disc.Sectors)))
	sectors = sectors.Intersect(&area)
	sectors = sectors.Subtract(&good)
	if sectors.Empty() || disc.Kind != "cd" {
		return nil
	}
	t := rawTaker{m: m, saved: m.c.now()}
	var err error
	if t.two, err = loadFormTwo(m.c.Dir); err != nil {
		return err
	}
	defer t.two.close()
	t.two.know(slices.Collect(sectors.Runs()))
	t.left = there.Intersect(&sectors)
	t.both = t.left.Intersect(&t.two.good)
	t.left = t.left.Subtract(&t.two.good)
	if !there.Empty() {
		err = m.s.raws(ctx, there, t.take)
	}
	for r := range t.lost.Runs() {
		m.lost(nil, r)
	}
	if errors.Is(err, errNoMore) {
		m.brought.Broken, err = err, nil
	}
	changed := t.two.dirty || m.brought.FormTwo > 0 || !m.brought.Differ.Empty()
	if saved := t.two.save(); saved != nil || !changed {
		return errors.Join(err, saved)
	}
	return errors.Join(err, m.learnFormTwo())
}

// rawTaker takes raw sectors of form 2 into a case.
type rawTaker struct {
	m     *merger
	two   *formTwo
	left  sector.Set // those to be taken
	both  sector.Set // those that are there already
	lost  sector.Set // of them, those that are not what they should be
	saved time.Time
}

// take takes one, and saves now and then.
func (t *rawTaker) take(a sector.LBA, x pack.Raw) error {
	if t.both.Contains(a) {
		return t.compare(a, x.Data)
	}
	if !t.left.Contains(a) {
		return nil
	}
	v, ok := rawHolds(a, x.Data)
	if !ok {
		t.lost.Add(sector.Span(a, 1))
		return nil
	}
	came := formTwoCame{round: *t.m.g.Round, readings: x.Readings, proven: v == cd.Clean}
	if err := t.two.put(a, x.Data, came); err != nil {
		return fmt.Errorf("writing %s: %w", formTwoName, err)
	}
	t.m.brought.FormTwo++
	if now := t.m.c.now(); now.Sub(t.saved) >= formTwoEvery {
		t.saved = now
		if err := t.two.save(); err != nil {
			return err
		}
		if err := t.m.c.disk.writeStatus(t.m.c.m); err != nil {
			return fmt.Errorf("writing %s: %w", statusName, err)
		}
	}
	return nil
}

// compare tells of a sector that is there already, and that the source has otherwise.
func (t *rawTaker) compare(a sector.LBA, theirs []byte) error {
	if _, ok := rawHolds(a, theirs); !ok {
		return nil // it says nothing of ours
	}
	ours, err := t.two.raw(a)
	if err == io.EOF {
		return nil // which a check finds
	}
	if err != nil {
		return fmt.Errorf("reading %s: %w", formTwoName, err)
	}
	if _, ok := rawHolds(a, ours); !ok {
		return nil // which a check finds
	}
	kept, other := sumOfFormTwo(ours), sumOfFormTwo(theirs)
	if kept == other {
		return nil
	}
	t.m.brought.Differ.Add(sector.Span(a, 1))
	t.m.c.m.AddEvent(mapfile.Event{Time: t.m.c.now(), Pass: -1, Kind: KindForm, Range: sector.Span(a, 1),
		Text: fmt.Sprintf("%s has other data of this sector of form 2: CRC-32C %08x, and %08x stays", t.m.s.Name, other, kept)})
	return nil
}

// sumOfFormTwo is the CRC-32C of the user data of a raw sector of form 2.
func sumOfFormTwo(raw []byte) uint32 {
	return mapfile.Sum(raw[formTwoFrom : formTwoFrom+formTwoUser])
}

// learnFormTwo tells the map what is known of form 2 now.
func (m *merger) learnFormTwo() error {
	now := m.c.m.Disc()
	if d := m.c.withoutFormTwo(now); !d.Written.Equal(&now.Written) {
		if err := m.c.learn(d); err != nil {
			return err
		}
	}
	if n := m.brought.FormTwo; n > 0 {
		m.c.m.AddEvent(mapfile.Event{Time: m.c.now(), Pass: -1, Kind: KindForm,
			Text: fmt.Sprintf("%d sectors of form 2 were taken over from %s: they lie in %s", n, m.s.Name, formTwoName)})
	}
	return m.c.saveRecords()
}
