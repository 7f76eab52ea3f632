package imager

import (
	"errors"
	"fmt"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// intake is what every pass is made of, whether its sectors come from a drive,
// another case or an image: what came goes into the image and, with its
// checksums, into the epoch; epochs are saved beside it; and the pass gets its
// end. Its methods run on one goroutine.
type intake struct {
	c        *Case
	listener Listener
	n        int // the pass's number
	rec      mapfile.Pass
	began    time.Time
	before   float64 // seconds that the pass worked before it was taken up again

	epoch epoch
	saver saver

	written, good int64 // sectors of the written area, and those whose data is in the image
	delivered     int64 // bytes

	wanted     *sector.Set // what wanted files lie in, as of the pass's beginning or part; nil: everything
	wantedLeft int64       // of that, sectors that are missing

	how, why string // set when the pass is to end
	err      error  // of the case's side
}

// rhythm says when a checkpoint is due.
type rhythm struct {
	every time.Duration
	bytes int64
}

// filled is the rhythm with what is 0 filled in: 5 s, 64 MiB.
func (r rhythm) filled() rhythm {
	if r.every == 0 {
		r.every = 5 * time.Second
	}
	if r.bytes == 0 {
		r.bytes = 64 << 20
	}
	return r
}

// begin makes a pass known on the disk, before anything is written into the
// image: if the program is killed, the next one sees that there may be sectors
// in the image that the map does not call good.
func (c *Case) begin(rec mapfile.Pass, l Listener, often rhythm) (intake, error) {
	rec.Started = c.now()
	n, err := c.m.AddPass(rec)
	if err != nil {
		return intake{}, fmt.Errorf("beginning a pass: %w", err)
	}
	return c.resume(n, l, often)
}

// resume takes a pass up, which is new or has ended.
func (c *Case) resume(n int, l Listener, often rhythm) (intake, error) {
	rec := c.m.Passes()[n]
	rec.How, rec.Ended = "", time.Time{}
	again, reopened := c.reopen()
	err := c.m.SetPass(n, rec)
	if err == nil {
		err = c.commit()
	}
	if err != nil {
		return intake{}, c.besideConflicts(fmt.Errorf("beginning a pass: %w", err))
	}
	if reopened {
		l.Event(again)
	}
	t := intake{
		c: c, listener: l, n: n, rec: rec, began: c.now(), before: rec.Seconds,
		good: c.m.Count(mapfile.Good),
	}
	t.written = t.good + c.m.Count(mapfile.Bad) + c.m.Count(mapfile.Untried)
	t.want()
	t.saver = saver{disk: c.disk, m: c.m, pass: n, rhythm: often, last: t.began}
	return t, nil
}

// want learns from the map what is wanted.
func (t *intake) want() {
	t.wanted, t.wantedLeft = wantedIn(t.c.m), 0
	if t.wanted != nil {
		t.wantedLeft = t.wanted.Count() - countOf(t.c.m, mapfile.Good, t.wanted)
	}
}

// end makes the pass end; the first reason stands.
func (t *intake) end(how, format string, args ...any) {
	if t.how == "" {
		t.how, t.why = how, fmt.Sprintf(format, args...)
	}
}

// fail makes the pass end by an error on the case's side, whatever else ends it.
func (t *intake) fail(err error) {
	if t.err == nil {
		t.err = err
		t.how, t.why = HowError, err.Error()
	}
}

// put puts sectors that came, and were not good before, into the image and into
// the epoch. Sums are their checksums; nil where nobody knows them yet.
func (t *intake) put(came mapfile.Run, data []byte, sums []uint32) {
	if t.err != nil {
		return
	}
	if err := t.c.disk.writeImage(data, came.Range.First); err != nil {
		t.fail(fmt.Errorf("writing the image: %w", err))
		// Some of it may have been written: on a full disk it is in the way of the
		// map, which still has to learn of what came before.
		_ = t.c.disk.clearImage(came.Range)
		return
	}
	t.epoch.came(came, data, sums)
	t.good += came.Range.Count()
	if t.wanted != nil {
		t.wantedLeft -= t.wanted.CountIn(came.Range)
	}
	t.delivered += int64(len(data))
}

// keep puts other data of good sectors beside the image and into the epoch, for
// a conflict.
func (t *intake) keep(came mapfile.Run, data []byte, sums []uint32) {
	if t.err != nil {
		return
	}
	if err := t.c.disk.writeKept(t.n, data, came.Range.First); err != nil {
		t.fail(fmt.Errorf("keeping the other side of a conflict: %w", err))
		return
	}
	t.epoch.came(came, data, sums)
	t.delivered += int64(len(data))
}

// tell keeps an event and passes it on.
func (t *intake) tell(e mapfile.Event) {
	t.epoch.event(e)
	t.listener.Event(e)
}

// progress is where the pass stands; what it does at the moment is for the
// caller to fill in.
func (t *intake) progress(now time.Time) Progress {
	return Progress{
		Time: now, Pass: t.n, Round: t.rec.Round,
		Sectors: t.written, Good: t.good, Missing: t.written - t.good,
		Choosy: t.wanted != nil, Wanted: t.wantedLeft,
		Delivered: t.delivered, Failed: t.rec.Failed,
	}
}

// save takes the result of a checkpoint that has ended and starts the next one
// when it is due.
func (t *intake) save() {
	r, ok := t.saver.poll()
	if !ok && t.saver.full(&t.epoch) {
		r, ok = t.saver.wait()
	}
	if ok {
		t.saved(r)
	}
	if t.saver.due(t.c.now(), &t.epoch) {
		t.startSave()
	}
}

// startSave seals the epoch and begins to save it.
func (t *intake) startSave() {
	e, now := t.epoch, t.c.now()
	t.epoch = epoch{}
	t.rec.Seconds = t.before + now.Sub(t.began).Seconds()
	t.saver.start(now, &e, t.rec)
}

// saveNow saves the epoch, if there is anything in it, and waits for it.
func (t *intake) saveNow() {
	if r, ok := t.saver.wait(); ok {
		t.saved(r)
	}
	if t.saver.err == nil && !t.epoch.empty() {
		t.startSave()
		r, _ := t.saver.wait()
		t.saved(r)
	}
}

// saved acts on the result of a checkpoint.
func (t *intake) saved(r saved) {
	for _, e := range r.conflicts {
		t.listener.Event(e)
	}
	if errors.Is(r.err, mapfile.ErrBusy) {
		t.listener.Event(mapfile.Event{Time: t.c.now(), Pass: t.n, Kind: KindPutOff,
			Text: "another program reads the map: this checkpoint waits for the next one"})
	} else if r.err != nil {
		t.fail(r.err)
	}
}

// finish saves what the pass brought and gives it its end.
func (t *intake) finish() (Ending, error) {
	if t.err == nil {
		t.rec.How, t.rec.Ended = t.how, t.c.now()
	}
	t.tell(mapfile.Event{Time: t.c.now(), Pass: t.n, Kind: KindEnded, Text: t.how + ": " + t.why})
	t.saveAll()
	e := Ending{Pass: t.n, How: t.how, Why: t.why}
	if t.err == nil {
		return e, nil
	}
	return e, t.c.besideConflicts(errors.Join(t.err, t.takeBack()))
}

// finalTries is how often the last checkpoint is tried while readers hold the
// map; each try waits for them as long as mapfile does.
const finalTries = 10

// saveAll saves the whole epoch, and does not let readers of the map put it off
// for ever.
func (t *intake) saveAll() {
	if r, ok := t.saver.wait(); ok {
		t.saved(r)
	}
	for range finalTries {
		if t.saver.err != nil {
			return
		}
		t.startSave()
		r, _ := t.saver.wait()
		if !errors.Is(r.err, mapfile.ErrBusy) {
			t.saved(r)
			return
		}
	}
	t.fail(fmt.Errorf("saving: %w, for all of %d tries", mapfile.ErrBusy, finalTries))
}

// takeBack ends a pass whose case's side failed: the map is taken as it is on
// the disk, for what memory says of sectors may not be there; what is not good is
// cleared, and the pass gets its end. Where that fails too, the next opening of
// the case does it.
func (t *intake) takeBack() error {
	m, err := t.c.disk.load()
	if err != nil {
		return err
	}
	t.c.m = m
	passes := m.Passes()
	if t.n < len(passes) {
		rec := passes[t.n]
		rec.Ended, rec.Failed, rec.Seconds = t.c.now(), t.rec.Failed, t.rec.Seconds
		if err := m.SetPass(t.n, rec); err != nil {
			return err
		}
	}
	return t.c.endInOrder(HowError)
}
