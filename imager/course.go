package imager

import (
	"context"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// course is the parts of one pass, each of which has a plan of its own. Where the user
// says which sectors, there is one. Else what tells where files lie comes first, and
// where files are wanted, these:
//
//	structures ──> structures ──> … ──> wanted files ──> all else
//	 what is missing of descriptors      until little     only to the end
//	 and directories, looked up anew     is left of it
//	 as long as that brings more
//
// Where all of the disc is wanted, films come before other files, and menus, backups
// and what no file holds come last; but first of each what comes easily, for the inside
// of one scratch takes longer than all that is whole. So each is left when the drive
// brings, and its plan expects, less than a pace, and goes on when the others have been
// left at that pace:
//
//	structures … ──> films ──> files ──> the rest ┐ 1000 sectors a second
//	                   ▲ ───────────────────────── ┘ 100, 10, and until little is left
//	                                        └──> all
//
// A part that goes on has the plan that it had, since that knows what failed with few
// retries and is to be asked with more. The last one looks at what all have left, with
// what all have learnt.
//
// A later part sees in the map what the ones before have asked, as a later pass would,
// and does not ask for it again.
type course struct {
	c      *Case
	r      Reading
	info   device.Info
	disc   mapfile.Disc
	parts  []part     // those to come
	asked  sector.Set // structures that a part was for
	looks  int        // how often it was looked up what tells of the files
	turns  turns      // where they lie, if all of the disc is wanted
	what   string     // what the part that runs is for; "" for all that the pass may ask
	last   plan.End   // how the last part ended that asked for nothing
	runs   part       // the part that runs
	pace   pace       // of it
	paused [shares]*plan.Plan
	beyond int64     // sectors that the parts to come may ask for
	idle   plan.Task // of the last part, for a pass that has only raw reading to do
}

// part is what a part of a pass is for, and the good sectors a second under which it is
// left; 0: it goes on to its plan's end.
type part struct {
	of    share
	least float64
}

// share is a share of a disc.
type share uint8

const (
	shareAll        share = iota // all that the pass may ask for
	shareStructures              // what tells of files
	shareWanted                  // what the wanted files lie in
	shareFilms                   // all films, and what tells a player about them
	shareFiles                   // all other files but menus and backups
	shareRest                    // all else
	shares
)

// courseOf is the parts of a pass over a disc.
func (c *Case) courseOf(r Reading, info device.Info, disc mapfile.Disc) course {
	k := course{c: c, r: r, info: info, disc: disc}
	structures, all := part{of: shareStructures}, part{of: shareAll}
	switch {
	case !r.Only.Empty() || r.BySurface || r.Survey > 0 && r.SurveyEvenly:
		k.parts = []part{all}
	case r.Survey > 0:
		k.parts = []part{structures, all}
	case len(c.m.Wanted().Names) > 0:
		k.parts = []part{structures, {of: shareWanted}}
		if r.ToTheEnd {
			k.parts = append(k.parts, all)
		}
	default:
		k.parts = []part{structures}
		for _, least := range paces {
			for _, s := range []share{shareFilms, shareFiles, shareRest} {
				k.parts = append(k.parts, part{s, least})
			}
		}
		k.parts = append(k.parts, all)
	}
	return k
}

// over tells whether no part is left.
func (k *course) over() bool { return len(k.parts) == 0 }

// maySlow tells whether the part that runs may be asked for at the drive's lowest speed:
// a drive comes back from that slowly, so what comes easily goes before, of all parts.
func (k *course) maySlow() bool {
	switch k.runs.of {
	case shareStructures:
		return false
	case shareFilms, shareFiles, shareRest:
		return k.runs.least < paces[0]
	}
	return k.over()
}

// next is the plan of the next part that has something to ask for, and nil where none is
// left; with its first request, unless it goes on. It asks for nothing of skip. The map
// must know all that the pass has asked so far, but for that, and belong to the caller.
func (k *course) next(skip sector.Set) (*plan.Plan, *plan.Request, error) {
	for len(k.parts) > 0 {
		task, ok, err := k.task(skip)
		if err != nil {
			return nil, nil, err
		}
		k.idle = task
		if order := k.paused[k.runs.of]; order != nil {
			k.paused[k.runs.of] = nil
			k.look(task, skip, order)
			return order, nil, nil
		}
		if todo := plan.ToAsk(task); !ok || todo.Empty() {
			continue
		}
		order := plan.New(task)
		first, step := order.Next()
		if step == plan.Ask {
			k.look(task, skip, order)
			return order, &first, nil
		}
		k.last = k.endOf(order)
	}
	return nil, nil, nil
}

// look looks how much the parts behind the one that begins may ask for.
func (k *course) look(task plan.Task, skip sector.Set, order *plan.Plan) {
	k.beyond, k.pace = 0, pace{least: k.runs.least}
	if len(k.parts) > 0 && k.what == "" {
		task.Only, task.Survey = k.allBut(&skip), 0
		all := plan.ToAsk(task)
		k.beyond = max(0, all.Count()-order.Left())
	}
}

// task is the next part; not ok where there is nothing that it is for.
func (k *course) task(skip sector.Set) (task plan.Task, ok bool, err error) {
	task = taskOf(k.c.m, k.info, k.disc)
	task.Again, task.ToTheEnd = k.r.Again, k.r.ToTheEnd
	only, restricted := sector.Set{}, true
	k.what = ""
	k.runs = k.parts[0]
	switch k.runs.of {
	case shareStructures:
		if only, err = k.structures(); err != nil {
			return task, false, err
		}
		if len(k.c.m.Wanted().Names) > 0 {
			k.what = "of what tells of the wanted files"
		}
		k.asked = k.asked.Union(&only)
		task.ToTheEnd = true
	case shareWanted:
		k.what = "of the wanted files"
		wanted := k.c.m.Wanted().Sectors
		only = k.blocks(&wanted)
	case shareFilms:
		only = k.turns.films
	case shareFiles:
		only = k.turns.files
	case shareRest:
		if held := k.turns.films.Union(&k.turns.files); !held.Empty() { // else all is one part
			only = k.allBut(&held)
		}
	case shareAll:
		task.Survey, task.SurveyEvenly = k.r.Survey, k.r.SurveyEvenly
		only, restricted = k.r.Only, !k.r.Only.Empty()
	}
	if k.runs.of != shareStructures || only.Empty() {
		k.parts = k.parts[1:] // else it stays: it is looked whether that tells of more
	}
	if !skip.Empty() {
		if !restricted {
			only, restricted = sector.Of(whole(k.disc.Sectors)), true
		}
		only = only.Subtract(&skip)
	}
	task.Only = only
	return task, !restricted || !only.Empty(), nil
}

// leaves tells whether the part that runs is to be left, though its plan is not done: where
// the drive was slow of late, and the plan expects no better. One lost track may take ten
// seconds, and looks ahead of the reading find the places that are read fast next.
func (k *course) leaves(order *plan.Plan) bool {
	if !k.pace.slow {
		return false
	}
	yield, looking := order.Yield()
	return !looking && yield < k.pace.least
}

// mostLooks bounds how often files are looked up in a pass: each time a level of
// directories more is known, of which a disc has a handful.
const mostLooks = 64

// front is the sectors from a disc's start on in which nearly every disc has what its
// directories are found by. What may stand in for it lies at the end, where discs are
// worst, and is asked for where this has not helped.
const front = 512

// structures is what is missing, and was not a part's before, of what tells of files. It
// keeps what was looked up.
func (k *course) structures() (none sector.Set, err error) {
	if k.looks++; k.looks > mostLooks {
		return none, nil
	}
	var files *Files
	if len(k.c.m.Wanted().Names) > 0 {
		files, _, err = k.c.lookUpWanted()
		if err == nil && !k.c.m.Wanted().Open {
			return none, nil
		}
	} else if files, err = k.c.files(); err == nil {
		k.turns = k.turnsOf(files.Volume)
	}
	if err != nil || files == nil {
		return none, err
	}
	needed := k.blocks(&files.Volume.Structures.Needed)
	needed = needed.Subtract(&k.asked)
	if near := sector.Of(sector.Span(0, front)); files.Volume.Root == nil && needed.Overlaps(near.Bounds()) {
		needed = needed.Intersect(&near)
	}
	return needed, nil
}

// blocks is the whole ECC blocks of a set: what is read of one costs no more than all
// of it.
func (k *course) blocks(s *sector.Set) sector.Set {
	ranges := make([]sector.Range, 0, s.Len())
	for r := range s.Runs() {
		ranges = append(ranges, r.Blocks(max(1, k.disc.BlockSectors)))
	}
	return sector.Of(ranges...)
}

// allBut is the disc without a set.
func (k *course) allBut(s *sector.Set) sector.Set {
	disc := sector.Of(whole(k.disc.Sectors))
	return disc.Subtract(s)
}

// endOf is how a part's plan ended, in words that say which part.
func (k *course) endOf(order *plan.Plan) plan.End {
	e := order.End()
	if k.what != "" {
		e.Why = k.what + ", " + e.Why
	}
	return e
}

// partOver goes over to the next part, or ends the pass. Nothing is in hand.
func (p *pass) partOver(ctx context.Context) {
	p.partDone = false
	if p.course.leaves(p.plan) {
		p.course.paused[p.course.runs.of] = p.plan
	} else if p.course.runs.of == shareStructures {
		p.repair(ctx, &p.course.asked)
	}
	end := p.course.endOf(p.plan)
	if !p.course.over() {
		p.saveNow() // the next part is planned by the map
		if p.err != nil {
			return
		}
		order, first, err := p.course.next(p.inVain())
		switch {
		case err != nil:
			p.fail(err)
			return
		case order != nil:
			p.plan, p.first = order, first
			p.want()
			return
		case p.course.last.How != "":
			end = p.course.last
		}
	}
	end = p.readRest(ctx, end)
	if p.dropped > 0 {
		p.end(HowStalled, "the drive stalled, and %d failed reads before it do not count: the next pass asks again", p.dropped)
	}
	p.end(end.How, "%s", end.Why)
}

// inVain is what this pass has asked for in vain and its next part would not know of:
// what is in doubt, and, where the user wants it asked again, what is not. Once more
// is not twice in one pass.
func (p *pass) inVain() sector.Set {
	var failed []sector.Range
	for _, run := range p.doubt.runs {
		failed = append(failed, run.Range)
	}
	if p.r.Again {
		for run := range p.c.m.Runs(p.n) {
			if !run.Result.Came() {
				failed = append(failed, run.Range)
			}
		}
	}
	return sector.Of(failed...)
}
