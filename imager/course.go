package imager

import (
	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

// course is the parts of one pass, each of which has a plan of its own. Where all of
// the disc is wanted, or the user says which sectors, there is one. Where files are
// wanted:
//
//	structures ──> structures ──> … ──> wanted files ──> all else
//	 what is missing of descriptors      until little     only to the end
//	 and directories, looked up anew     is left of it
//	 as long as that brings more
//
// A later part sees in the map what the ones before have asked, as a later pass would,
// and does not ask for it again.
type course struct {
	c     *Case
	r     Reading
	info  device.Info
	disc  mapfile.Disc
	parts []part     // those to come
	asked sector.Set // structures that a part was for
	looks int        // how often it was looked up what tells of the wanted files
	what  string     // what the part that runs is for; "" for all that the pass may ask
	last  plan.End   // how the last part ended that asked for nothing
}

// part is what a part of a pass is for.
type part uint8

const (
	partAll        part = iota // all that the pass may ask for
	partStructures             // what tells of the wanted files
	partWanted                 // what they lie in
)

// courseOf is the parts of a pass over a disc.
func (c *Case) courseOf(r Reading, info device.Info, disc mapfile.Disc) course {
	k := course{c: c, r: r, info: info, disc: disc, parts: []part{partAll}}
	if len(c.m.Wanted().Names) > 0 && r.Only.Empty() && r.Survey == 0 {
		k.parts = []part{partStructures, partWanted}
		if r.ToTheEnd {
			k.parts = append(k.parts, partAll)
		}
	}
	return k
}

// over tells whether no part is left.
func (k *course) over() bool { return len(k.parts) == 0 }

// next is the plan of the next part that has something to ask for, with its first
// request, and nil where none is left. It asks for nothing of skip. The map must know
// all that the pass has asked so far, but for that, and belong to the caller.
func (k *course) next(skip sector.Set) (*plan.Plan, *plan.Request, error) {
	for len(k.parts) > 0 {
		task, ok, err := k.task(skip)
		if err != nil {
			return nil, nil, err
		}
		if todo := plan.ToAsk(task); !ok || todo.Empty() {
			continue
		}
		order := plan.New(task)
		first, step := order.Next()
		if step == plan.Ask {
			return order, &first, nil
		}
		k.last = k.endOf(order)
	}
	return nil, nil, nil
}

// task is the next part; not ok where there is nothing that it is for.
func (k *course) task(skip sector.Set) (task plan.Task, ok bool, err error) {
	task = taskOf(k.c.m, k.info, k.disc)
	task.Again, task.ToTheEnd = k.r.Again, k.r.ToTheEnd
	task.Survey, task.SurveyEvenly = k.r.Survey, k.r.SurveyEvenly
	only, restricted := k.r.Only, !k.r.Only.Empty()
	k.what = ""
	switch k.parts[0] {
	case partStructures:
		k.what = "of what tells of the wanted files"
		if only, err = k.structures(); err != nil {
			return task, false, err
		}
		if only.Empty() {
			k.parts = k.parts[1:]
			return task, false, nil
		}
		k.asked = k.asked.Union(&only)
		restricted, task.ToTheEnd = true, true
		// The part stays: it is looked whether that tells of more.
	case partWanted:
		k.what = "of the wanted files"
		wanted := k.c.m.Wanted().Sectors
		only, restricted = k.blocks(&wanted), true
		k.parts = k.parts[1:]
	case partAll:
		k.parts = k.parts[1:]
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

// mostLooks bounds how often the wanted files are looked up in a pass: each time a
// level of directories more is known, of which a disc has a handful.
const mostLooks = 64

// structures is what is missing, and was not a part's before, of what tells of wanted
// files. It keeps what was looked up.
func (k *course) structures() (sector.Set, error) {
	k.looks++
	files, _, err := k.c.lookUpWanted()
	if err != nil || files == nil || !k.c.m.Wanted().Open || k.looks > mostLooks {
		return sector.Set{}, err
	}
	needed := k.blocks(&files.Volume.Structures.Needed)
	return needed.Subtract(&k.asked), nil
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

// endOf is how a part's plan ended, in words that say which part.
func (k *course) endOf(order *plan.Plan) plan.End {
	e := order.End()
	if k.what != "" {
		e.Why = k.what + ", " + e.Why
	}
	return e
}

// partOver goes over to the next part, or ends the pass. Nothing is in hand.
func (p *pass) partOver() {
	p.partDone = false
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
