package imager

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
	"turnstone/imager/plan"
	"turnstone/imager/rawcd"
	"turnstone/mapfile"
)

// On a CD a sector that no READ gave is not lost yet: the drive gives it raw, with a
// pointer for each doubtful byte, and several such readings may come to a whole one. A
// pass does that once its plan has nothing more to ask (of a part, where it has parts):
//
//	what failed on this surface with this drive, and was not read raw by it
//	    │ the most likely first
//	    ▼
//	READ CD, 8 times or so, at several speeds ──▶ rawcd ──▶ proven: image, epoch, map
//	    ▲                                           │
//	    └───────────── kept/readings.raw ◀──────────┘ not yet
const (
	mostRawReadings = 8
	// Where so few bytes are in doubt after those, it goes on up to twice as many.
	nearlyThere = 300
	// hopeless is how many bytes may be in doubt after hopelessAfter readings for one
	// more to be worth its time; common practice: half of a sector.
	hopeless      = device.RawSize / 2
	hopelessAfter = 3
	// rawPatience is how long nothing may come of it before the pass leaves it, as long
	// as it is not to go to the end: at 10 s a sector the plan ends too.
	rawPatience = 100 * time.Second
)

// rawSpeeds are the speeds that readings are made at in turn, in kB/s; 0 is what the
// drive takes. 176.4 kB/s are 1x (75 sectors of 2,352 bytes).
var rawSpeeds = [...]int{0, 1411, 706, 2822}

// wholeSpeed takes a cap back (MMC: FFFFh is the fastest).
const wholeSpeed = 0xFFFF

// rawWork is a pass's raw reading.
type rawWork struct {
	reader device.RawReader // nil: there is none
	shelf  *shelf
	two    *formTwo
	stray  sector.Set // of form 2, and not known to be
	again  bool       // ask also for what this round and drive gave no more than readings of
	done   sector.Set
	habits rawcd.Habits
	steady bool
	did    bool  // something was read
	bytes  int64 // of the image that it brought
	slow   bool  // a cap is in force
	c      rawcd.Combiner
	gained time.Time // when something came last
	saved  time.Time // when the sidecar was
}

// startRaw opens what the raw reading of a case needs; a reader without the ability, and
// a disc that is no CD, have none.
func (c *Case) startRaw(r Reading, info device.Info) (rawWork, error) {
	raw, ok := r.Reader.(device.RawReader)
	if !ok || info.Kind != "cd" || r.Survey > 0 || r.Settle {
		return rawWork{}, nil
	}
	s, err := openShelf(c.Dir)
	if err != nil {
		return rawWork{}, fmt.Errorf("opening what is kept beside the image: %w", err)
	}
	two, err := loadFormTwo(c.Dir)
	if err != nil {
		return rawWork{}, errors.Join(err, s.close())
	}
	two.know(info.FormTwo)
	if err := two.save(); err != nil { // files are looked up by it
		return rawWork{}, errors.Join(err, s.close())
	}
	return rawWork{reader: raw, shelf: s, two: two, again: r.Again}, nil
}

// close lets go of the files.
func (w *rawWork) close() {
	w.shelf.close()
	w.two.close()
}

// tidyRaw lets go of readings whose sector is good.
func (c *Case) tidyRaw(w *rawWork) error {
	if w.shelf == nil {
		return nil
	}
	return w.shelf.tidy(func(a sector.LBA) bool { return c.m.State(a) == mapfile.Good || w.two.good.Contains(a) })
}

// todo is the sectors that a drive may be asked for raw: what failed in this round
// with it, of a scope, unless that is nil.
func (w *rawWork) todo(m *mapfile.Map, drive int, scope *sector.Set) sector.Set {
	round := len(m.Rounds()) - 1
	if w.reader == nil || w.shelf.asked(noRaw, round, drive) && !w.again {
		return sector.Set{}
	}
	var failed []sector.Range
	for n, p := range m.Passes() {
		if p.Round != round || p.Drive != drive {
			continue
		}
		for r := range m.Runs(n) {
			if !r.Result.Came() && r.Result != mapfile.Stalled {
				failed = append(failed, r.Range)
			}
		}
	}
	set := sector.Of(failed...)
	if scope != nil {
		set = set.Intersect(scope)
	}
	good := m.In(mapfile.Good)
	set = set.Subtract(&good)
	set = set.Subtract(&w.two.sectors) // read raw from the first
	return w.fresh(set, round, drive)
}

// fresh is what of a set a drive was not asked for raw before in the round.
func (w *rawWork) fresh(set sector.Set, round, drive int) sector.Set {
	set = set.Subtract(&w.done)
	if w.again {
		return set
	}
	var asked []sector.Range
	for r := range set.Runs() {
		for a := r.First; a < r.End; a++ {
			if w.shelf.asked(a, round, drive) {
				asked = append(asked, sector.Span(a, 1))
			}
		}
	}
	was := sector.Of(asked...)
	return set.Subtract(&was)
}

// reach is the sectors that a pass may read raw; nil where it may all.
func (k *course) reach() *sector.Set {
	switch {
	case !k.r.Only.Empty():
		return &k.r.Only
	case len(k.c.m.Wanted().Names) > 0 && !k.r.ToTheEnd:
		wanted := k.c.m.Wanted()
		set := k.blocks(&wanted.Sectors)
		set = set.Union(&k.asked)
		set = set.Union(&wanted.Beside)
		return &set
	}
	return nil
}

// readRest reads raw what all parts of the pass have left, and what only raw reading
// brings. End is how the last plan ended.
func (p *pass) readRest(ctx context.Context, end plan.End) plan.End {
	if p.how != "" || p.err != nil || p.raw.reader == nil {
		return end
	}
	p.saveNow()
	reach := p.course.reach()
	p.repair(ctx, reach)
	p.readFormTwo(ctx, reach)
	if p.raw.did && p.delivered == p.raw.bytes && p.rec.Failed == 0 {
		end = plan.End{How: HowComplete, Why: "what was left to ask for was read raw"}
	}
	return end
}

// repair reads raw what the pass has asked for in vain, of a scope unless that is nil,
// and puts together what it can. Nothing is in hand.
func (p *pass) repair(ctx context.Context, scope *sector.Set) {
	if p.raw.reader == nil || p.how != "" {
		return
	}
	p.saveNow() // what failed is in the map then
	if p.err != nil {
		return
	}
	left := p.raw.todo(p.c.m, p.rec.Drive, scope)
	if left.Empty() {
		return
	}
	p.mend(ctx, p.likely(&left), 2*mostRawReadings)
	p.endRaw(ctx)
}

// mend puts the sectors of runs together, of at most so many readings each.
func (p *pass) mend(ctx context.Context, runs []sector.Range, most int) {
	left := int64(0)
	for _, r := range runs {
		left += r.Count()
	}
	p.raw.gained = p.c.now()
	for _, r := range runs {
		for r.First < r.End && p.how == "" && p.raw.reader != nil {
			part := sector.Span(r.First, min(device.MostRaw, r.Count()))
			r.First = part.End
			p.look(ctx)
			if !p.r.ToTheEnd && p.c.now().Sub(p.raw.gained) > rawPatience {
				return
			}
			if p.how == "" {
				p.repairRun(ctx, part, left, most)
			}
			left -= part.Count()
			if most > 1 {
				p.raw.done.Add(part)
			}
			p.save()
			p.saveFormTwo(false)
		}
	}
}

// endRaw gives the drive its speed back, and saves.
func (p *pass) endRaw(ctx context.Context) {
	if p.raw.slow && p.how == "" {
		p.speed(ctx, wholeSpeed)
		p.raw.slow = false
	}
	p.saveNow()
	p.saveFormTwo(true)
}

// likely is the runs of a set, those first that the plan expects most of.
func (p *pass) likely(s *sector.Set) []sector.Range {
	runs := slices.Collect(s.Runs())
	class := func(r sector.Range) int {
		switch chance := p.plan.Chance(r.First); {
		case chance > .3:
			return 0
		case chance > .03:
			return 1
		}
		return 2
	}
	slices.SortStableFunc(runs, func(a, b sector.Range) int { return cmp.Compare(class(a), class(b)) })
	return runs
}

// wanting is a sector that is being put together.
type wanting struct {
	at       sector.LBA
	readings []rawcd.Reading
	doubt    int  // bytes, after the last vote
	over     bool // nothing more is to be asked of it
	proven   bool
}

// repairRun puts a run of neighbouring sectors together.
func (p *pass) repairRun(ctx context.Context, run sector.Range, left int64, most int) {
	var open []*wanting
	for a := run.First; a < run.End; a++ {
		open = append(open, &wanting{at: a, readings: p.raw.shelf.readings(a)})
	}
	all := slices.Clone(open)
	for n := 0; n < most && len(open) > 0 && p.how == "" && p.raw.reader != nil; n++ {
		p.look(ctx)
		if p.how != "" {
			return
		}
		settings := p.rawSettings(ctx, n)
		for i := 0; i < len(open) && p.how == "" && p.raw.reader != nil; {
			k := i + 1
			for k < len(open) && open[k].at == open[k-1].at+1 {
				k++
			}
			p.tellRaw(sector.Range{First: open[i].at, End: open[k-1].at + 1}, left)
			i += p.readRaw(ctx, open[i:k], settings)
		}
		open = slices.DeleteFunc(open, func(w *wanting) bool {
			return w.readings == nil && n > 0 || n+1 >= hopelessAfter && w.doubt > hopeless ||
				n+1 >= mostRawReadings && w.doubt > nearlyThere || w.over
		})
	}
	if most == 1 || p.how != "" {
		return
	}
	for _, w := range all {
		if !w.proven {
			p.note(w.at, nil)
		}
	}
}

// rawSettings sets the speed of the n-th reading.
func (p *pass) rawSettings(ctx context.Context, n int) uint8 {
	kBps := rawSpeeds[n%len(rawSpeeds)]
	if p.raw.steady || kBps == 0 && !p.raw.slow {
		return p.control.now
	}
	if kBps == 0 {
		kBps = wholeSpeed
	}
	p.raw.slow = kBps != wholeSpeed
	return p.speed(ctx, kBps)
}

// speed caps the drive's speed, where it can be capped.
func (p *pass) speed(ctx context.Context, kBps int) uint8 {
	n, err := p.control.use(ctx, mapfile.Settings{Retries: p.control.told.Retries, SpeedKBps: kBps}, false)
	if err != nil {
		p.raw.steady = true
		p.control.forget()
	}
	p.rec.Settings = p.control.all
	return n
}

// tellRaw tells the listener what is being done.
func (p *pass) tellRaw(r sector.Range, left int64) {
	g := p.progress(p.c.now())
	g.Left, g.Doing, g.At = left, "read raw, to put it together from several readings", r
	p.listener.Progress(g)
}

// readRaw makes one reading of neighbouring sectors and takes it in. It returns how many
// of them were read, or tried: those behind a sector that failed are to be read by
// themselves.
func (p *pass) readRaw(ctx context.Context, list []*wanting, settings uint8) int {
	r := sector.Span(list[0].at, int64(len(list)))
	began := p.c.now()
	p.raw.did = true
	raw, err := p.raw.reader.ReadRaw(ctx, r)
	took := p.c.now().Sub(began)
	n := int(min(raw.Sectors(), r.Count()))
	for i := range n {
		reading := rawcd.Reading{Data: raw.Data[i*device.RawSize:][:device.RawSize], Mode: raw.Mode}
		if raw.C2 != nil {
			reading.C2 = raw.C2[i*device.C2Size:][:device.C2Size]
		}
		p.takeRaw(list[i], reading, settings, took/time.Duration(n))
	}
	if err == nil {
		return len(list)
	}
	return n + p.rawFailed(ctx, list[n:], r, err, took)
}

// rawFailed acts on a raw reading that failed at the first of what is left of it. It
// returns how many are not to be read on.
func (p *pass) rawFailed(ctx context.Context, rest []*wanting, r sector.Range, err error, took time.Duration) int {
	e, ok := errors.AsType[*device.ReadError](err)
	if !ok {
		switch {
		case errors.Is(err, device.ErrUnsupported):
			p.raw.reader = nil
			p.note(noRaw, nil)
			p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindHabit, Text: p.info.Name() + " does not read raw sectors: nothing can be put together with it"})
		case ctx.Err() != nil:
			p.end(HowInterrupted, "interrupted")
		default:
			p.fail(fmt.Errorf("reading %v of %s raw: %w", r, p.info.Name(), err))
		}
		return len(rest)
	}
	switch e.Class {
	case device.Stalled, device.Gone, device.Changed:
		p.rec.Failed++
		p.failed(ctx, outcomeOf(r, took), p.control.now, e)
		return len(rest)
	}
	p.stalls = stalls{} // it answers, if only that it can't
	// Nothing new is learned of the disc: it is bad, and it stays so.
	if len(rest) == 0 || e.At >= 0 && e.At < rest[0].at {
		return 0 // the failing one came all the same
	}
	rest[0].over = e.Class == device.Track || e.Class == device.Refused // dear, or for nothing
	return 1
}

// outcomeOf is a failed request of which nothing was said about the disc.
func outcomeOf(r sector.Range, took time.Duration) plan.Outcome {
	return plan.Outcome{Request: plan.Request{Range: r}, Took: took}
}

// takeRaw takes one reading of a sector in.
func (p *pass) takeRaw(w *wanting, r rawcd.Reading, settings uint8, took time.Duration) {
	p.stalls = stalls{} // it answers
	use, _ := r.Clean(w.at, w.readings)
	p.raw.habits.Note(w.at, r, use)
	p.tellHabits()
	if use != rawcd.Usable && use != rawcd.Scrambled {
		return
	}
	w.readings = append(w.readings, r)
	out := p.raw.c.Combine(w.at, w.readings)
	w.doubt = out.Doubt
	if out.Sector == nil {
		p.note(w.at, &r)
		return
	}
	p.raw.habits.Proven(out.Sector, w.readings)
	p.tellHabits()
	w.over, w.proven = true, true
	p.raw.gained = p.c.now()
	p.doubt.stand(&p.epoch)
	if out.Kind == cd.Form2 || p.raw.two.sectors.Contains(w.at) {
		p.putFormTwo(w, out)
		return
	}
	came := mapfile.Run{Range: sector.Span(w.at, 1), Result: mapfile.Delivered, Weak: true,
		Attempts: mapfile.RepairedAttempts(len(w.readings)), Took: mapfile.ClassOf(took), Settings: settings}
	p.put(came, out.User(), nil)
	p.raw.bytes += came.Range.Bytes()
	p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindRepaired, Range: came.Range,
		Text: fmt.Sprintf("sector %d was %s", w.at, repairedInWords(len(w.readings), out.Corrected))})
}

// note keeps a reading, or that the drive has given all that it can.
func (p *pass) note(a sector.LBA, r *rawcd.Reading) {
	if err := p.raw.shelf.keep(a, r, p.rec.Round, p.rec.Drive); err != nil {
		p.fail(fmt.Errorf("keeping raw readings beside the image: %w", err))
	}
}

// tellHabits tells of habits of the drive that have shown.
func (p *pass) tellHabits() {
	for _, text := range p.raw.habits.News() {
		p.tell(mapfile.Event{Time: p.c.now(), Pass: p.n, Kind: KindHabit, Text: p.info.Name() + ": " + text})
	}
}

// repairedInWords is how a sector was come by.
func repairedInWords(readings, corrected int) string {
	s := "put together from 1 raw reading"
	if readings > 1 {
		s = fmt.Sprintf("put together from %d readings", readings)
	}
	switch {
	case corrected == 1:
		s += ", 1 byte corrected"
	case corrected > 1:
		s += fmt.Sprintf(", %d bytes corrected", corrected)
	}
	return s
}
