package plan

import (
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// planner is the face of a plan.
type planner interface {
	Next() (Request, Step)
	Note(Outcome)
}

// fate is what a pass, or all of them, know of one sector.
type fate struct {
	result mapfile.Result // 0: not asked
	alone  bool
}

// table is the bench at which a drive, a case and plans meet: it runs passes,
// keeps the history as the engine does, and checks every request.
type table struct {
	t     testing.TB
	task  Task
	drive *drive
	all   []fate // over all passes of this round and drive
	depth int
	rand  *rand.Rand // picks which outstanding request is answered; nil: the oldest
	lose  int        // one in so many requests is handed back; 0: none
}

func newTable(t testing.TB, task Task, d *drive) *table {
	return &table{t: t, task: task, drive: d, depth: 1, all: make([]fate, len(d.hard))}
}

// pass runs one pass until its plan is done or that many outcomes were noted, and
// gives the requests in order. What came and what failed is then good or history.
func (b *table) pass(limit int) []Request {
	b.t.Helper()
	task := b.task
	task.Good = b.task.Good.Clone()
	p := New(task)
	c := newChecker(b.t, task, b.all)
	c.left(p)
	asked := b.drivePlan(p, c, limit)
	b.keep(c)
	return asked
}

func (b *table) drivePlan(p planner, c *checker, limit int) []Request {
	b.t.Helper()
	var asked, out []Request
	for noted := 0; noted < limit; {
		var step Step
		for len(out) < b.depth && (len(out) == 0 || step != Wait) {
			var q Request
			q, step = p.Next()
			if c != nil {
				c.step(q, step, len(out))
			}
			if step != Ask {
				break
			}
			asked, out = append(asked, q), append(out, q)
			if len(asked) > 100*len(b.drive.hard)+100 {
				b.t.Fatalf("the plan does not come to its end: %d requests", len(asked))
			}
		}
		if len(out) == 0 {
			if c != nil {
				c.done(p)
			}
			return asked
		}
		i := 0
		if b.rand != nil {
			i = b.rand.IntN(len(out))
		}
		o := b.drive.answer(out[i])
		if b.lose > 0 && b.rand.IntN(b.lose) == 0 {
			o = Outcome{Request: out[i]}
		}
		out = append(out[:i], out[i+1:]...)
		p.Note(o)
		if c != nil {
			c.note(o)
			c.left(p)
		}
		noted++
	}
	return asked
}

// keep turns what the pass learned into history.
func (b *table) keep(c *checker) {
	past := Past{Round: b.task.Round, Drive: b.task.Drive, Settings: []mapfile.Settings{{}}}
	good := b.task.Good.Clone()
	for a, f := range c.now {
		if f.result == 0 {
			continue
		}
		b.all[a] = f
		r := sector.Span(sector.LBA(a), 1)
		if f.result == mapfile.Delivered {
			good.Add(r)
		}
		if n := len(past.Runs); n > 0 {
			if last := &past.Runs[n-1]; last.Range.End == r.First && last.Result == f.result && last.Alone == f.alone {
				last.Range.End++
				continue
			}
		}
		past.Runs = append(past.Runs, mapfile.Run{Range: r, Result: f.result, Alone: f.alone, Attempts: 1})
	}
	b.task.Good = good
	b.task.History = append(b.task.History[:len(b.task.History):len(b.task.History)], past)
}

// checker holds what must be true at every step of a pass.
type checker struct {
	t      testing.TB
	task   Task
	before []fate // of this round and drive, earlier
	now    []fate
	out    []bool
	blur   []bool // by sector: its request failed as a whole
	may    sector.Set
	first  bool  // before the first outcome
	open   int64 // sectors that were not asked for yet, outstanding ones among them
}

func newChecker(t testing.TB, task Task, before []fate) *checker {
	n := len(before)
	c := &checker{t: t, task: task, before: append([]fate(nil), before...), now: make([]fate, n),
		out: make([]bool, n), blur: make([]bool, n), may: ToAsk(task), first: true}
	for a := range c.now {
		if c.missing(sector.LBA(a)) && c.asked(sector.LBA(a)).result == 0 {
			c.open++
		}
	}
	return c
}

// missing tells whether the pass may ask for a at all.
func (c *checker) missing(a sector.LBA) bool {
	return c.task.Disc.Written.Contains(a) && !c.task.Good.Contains(a) &&
		(c.task.Only.Empty() || c.task.Only.Contains(a)) && c.now[a].result != mapfile.Delivered
}

// asked tells whether a was asked for already, and whether alone.
func (c *checker) asked(a sector.LBA) fate {
	f := c.now[a]
	if f.result == 0 && !c.task.Again {
		f = c.before[a]
	}
	return f
}

func (c *checker) step(q Request, step Step, outstanding int) {
	c.t.Helper()
	switch {
	case step == Wait && outstanding == 0:
		c.t.Fatal("Wait while nothing is outstanding")
	case step == Done && outstanding > 0:
		c.t.Fatalf("Done while %d requests are outstanding", outstanding)
	case step != Ask && q != Request{}:
		c.t.Fatalf("step %d comes with request %+v", step, q)
	}
	if step != Ask {
		return
	}
	d, r := c.task.Disc, q.Range
	blocks := r.Blocks(d.Block)
	if r.Empty() || q.Why == "" || q.Settings != (mapfile.Settings{}) || q.Alone != (r.Count() == 1 && d.Block > 1) {
		c.t.Fatalf("request %+v: empty, without a reason, or Alone is wrong", q)
	}
	if blocks.Count() > d.Block && (blocks != r || r.Count() > d.Largest) {
		c.t.Fatalf("request %v is neither whole blocks nor within one, or larger than %d", r, d.Largest)
	}
	if !c.may.Covers(r) {
		c.t.Fatalf("request %v is not in ToAsk", r)
	}
	for a := r.First; a < r.End; a++ {
		f := c.asked(a)
		again := f.result != 0
		deeper := q.Alone && !f.alone && f.result != mapfile.Stalled && !d.WholeBlocks
		switch {
		case !c.missing(a):
			c.t.Fatalf("request %v: sector %d is good or outside", r, a)
		case c.out[a]:
			c.t.Fatalf("request %v: sector %d is outstanding already", r, a)
		case again && !deeper:
			c.t.Fatalf("request %v: sector %d was asked for before: %+v", r, a, f)
		case c.blur[a] && blocks.Count() > d.Block:
			c.t.Fatalf("request %v: sector %d lay in a request that failed as a whole", r, a)
		}
		c.out[a] = true
	}
}

func (c *checker) note(o Outcome) {
	r := o.Request.Range
	c.first = false
	for i := range r.Count() {
		a := r.First + sector.LBA(i)
		c.out[a] = false
		if i < o.Good+o.Failed && c.asked(a).result == 0 {
			c.open--
		}
		switch {
		case i < o.Good:
			c.now[a] = fate{mapfile.Delivered, o.Request.Alone}
		case i < o.Good+o.Failed:
			c.now[a] = fate{o.Result, o.Request.Alone}
		case o.Blur:
			c.blur[a] = true
		}
	}
}

// left checks Left against what is known of it.
func (c *checker) left(p planner) {
	c.t.Helper()
	left := p.(*Plan).Left()
	if c.first && left != c.may.Count() {
		c.t.Fatalf("Left() = %d at the start; want %d, as ToAsk", left, c.may.Count())
	}
	if left < c.open {
		c.t.Fatalf("Left() = %d; %d sectors were not asked for yet", left, c.open)
	}
}

// done checks the end: all was asked for, and it stays the end.
func (c *checker) done(p planner) {
	c.t.Helper()
	if q, step := p.Next(); step != Done {
		c.t.Fatalf("after Done: %+v, step %d", q, step)
	}
	for a := range c.now {
		if c.missing(sector.LBA(a)) && c.asked(sector.LBA(a)).result == 0 {
			c.t.Fatalf("Done, and sector %d was never asked for", a)
		}
	}
	full := p.(*Plan)
	if full.Left() != 0 {
		c.t.Fatalf("Left() = %d at the end; want 0", full.Left())
	}
	if e := full.End(); e.How != "complete" || e.Why == "" {
		c.t.Fatalf("End() = %+v", e)
	}
}
