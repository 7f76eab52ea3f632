// Package plan decides what to read next. It is pure: no I/O, no clock, no
// randomness; the same outcomes in the same order give the same requests.
//
// Whoever reads asks Next for requests, has several of them outstanding if the
// drive takes several, and tells Note what became of each:
//
//	Next ──► Ask, request ──► drive ──► outcome ──► Note
//	 ▲  └──► Wait: an outstanding request decides      │
//	 │  └──► Done: End says why                        │
//	 └─────────────────────────────────────────────────┘
//
// The order of a pass:
//
//  1. Every block is asked for once. Where the geometry is known (Disc.Kind), by
//     what the model of the surface expects of it (below). Where nothing is known
//     of where a sector lies, by stretches: the written area lies in 256 equal
//     ones; one is read forward until a block fails; then reading goes to the
//     unfinished stretch with the best record, (good + 1) / (tried + 2) in blocks,
//     the lowest among equals (stretch.go).
//  2. Blocks of a request at which the drive stalled, no telling where, come
//     after all others, singly.
//  3. Where the drive can give single sectors of a block that fails as a whole,
//     what is left of the failed blocks is asked for sector by sector: first of
//     those at the two ends of every run of neighbouring failed blocks, until 8
//     blocks running yielded nothing; then, unless it ended so, of those between
//     them, again until 8 blocks running yielded nothing (part.go, apart.go).
//
// What this round and drive asked for in earlier passes is not asked for again
// (past.go). By stretches all that decides steps 1 to 3 is in the history, so a
// pass that was cut off and the one after it ask together for what one alone
// would have asked; by place they do so too, in another order perhaps.
//
// # The surface
//
// A mark is a thing on a surface; failures in order of address are its cut through
// a spiral. A block is an arc of a third of a turn or so, and a mark stands in the
// way of every block that passes over it:
//
//	turn      angle ─▶
//	  1000    ├──good──┤├───bad──╳─┤├─good──┤├─     the mark ╳ keeps to its angle
//	  1001    ─┤├──good──┤├──bad─╳──┤├──good──┤     over hundreds of turns; the
//	  1002    od─┤├──good──┤├bad─╳──b─┤├──good─     blocks' ends do not
//
// So the surface is laid in rings of 32 turns, each in 32 cells by angle, and each
// cell has a rate at which blocks that pass over it fail (cells.go):
//
//	chance of a block = exp(−Σ over the cells under it of rate · share covered)
//
// A block that came clears all cells under it, one that failed blames them in the
// ratio of their rates: that is one step of expectation maximisation, as in
// emission tomography, and goes up the likelihood. What is seen in few cells is
// eked out from wider rings: at five scales, from 2,000 turns to 100, the rate is
// (blamed + weight · the coarser scale's rate) / (seen + weight).
// Above all of them stands the rate of the whole disc, or of a part of it of which nothing
// at all came, up to as far again as that is known to reach: a half or a layer may be dead
// (dead.go). Where nearly all that failed lies in one such part it goes nearer to what came,
// and each of the first failures has the estimate worked out anew.
//
// Angles need the turns that a block takes, which a disc's tolerances leave open
// by one per cent, a whole turn in a hundred. They are fitted to how well failures
// line up (period.go); until that stands out by far only the two finest scales,
// over which the nominal turns do, tell angles apart. Two numbers a layer are
// enough, since the square of the inverse grows evenly along the track (leg.go). A
// pitch that wanders changes a radius by a few µm, and the turns of a mark's
// breadth by next to nothing.
//
// # The choice
//
// For each 64 turns the plan looks how far a run that begins there should go, what
// blocks it should pass over, and what it brings a second until its first failure:
// transfer, moves, what failures cost this drive and how much slower they make it
// (price.go, choose.go). The best is read until it ends or fails; then all that
// the failure bears upon is worked out anew. Of equals those farther out come
// first, where the disc passes faster, in bands of a thirty-second of the radius.
//
// Where nothing brings more than a fifth of what full speed does, the surface is believed, and
// sixty have failed or a part is dead, looks are taken ahead of the reading, ten turns in every
// few hundred, and more of them where marks are met (sound.go): a failure costs no speed where
// the drive has none, and what is sure after that is read at full speed, all over the disc. As long as
// there is much of that a failure is charged with all of the way back to speed. Looks
// end once less than a seventh of the pass is expected to come yet.
//
// Unknown places are clean or bad for long: so the loss along a run is taken for
// uncertain (a gamma distribution), and looking into an unknown ring is worth more
// than its mean chance. Retries are many where a dead block is unlikely, or as long as they
// mostly help, and few where it is likely, or once hardly any helped (effort.go): a disc with
// a thousand scratches comes a tenth sooner for the former. What failed with few is asked for
// once more with the drive's own when that brings more than anything else, or at the end
// (deeper.go): in lots by what the surface expects of it, since that tells the marginal blocks
// from the dead; with nothing else left to ask, at the drive's lowest speed, which a drive comes
// back from slowly. Where a drive decodes whole blocks, and its retries can be set, no block is
// asked for with all of them at first, so that whatever fails and loses no track can be asked for
// once more, if that is worth its time. What is passed over, and a place that is left, cost
// another move, which is worth much where all is as good as the rest and nothing where it is
// dead (back.go).
//
// Where even the best brings less than a sector in ten seconds the pass ends by
// itself, "little-left", unless it is to go to the end; then the rest is swept
// through at a falling price, at least a quarter at a time of what is more than some
// 30,000 blocks. All of it is worked out anew before: an estimate some failures old once put
// off a third of what a later pass could have until all the rest was asked for.
//
// What was tried, on discs with a thousand scratches: of the time until nine tenths
// were there, half went into passing over marks at the least speed, little into
// failures. With the true chances given to it the choice comes to an eighth of that
// time, so it is the estimate that counts, and how little of the surface was seen
// when the drive had slowed down. Looks ahead saved a fifth to a third of it; they help most taken
// level by level with the sure blocks read in between, with a few retries (with
// none, marginal blocks pass for dead ones), and with blocks that are nearly sure
// read along where the head passes. Of no use were 64 or 128 cells, a longer look
// ahead along a run, all retries for all blocks whether they help or not, and a level of
// looks 1,536 turns apart. Worse were, on a disc after its first treatment: a few blocks of
// each kind that failed before, tried at the beginning; few retries once more had been in vain
// than had helped; and no belief at all in a model that of late told the blocks that
// came from the others no better than their mean.
//
// How far the model is to be believed is learnt instead, as the slope of a regression,
// and two others that know nothing of a surface are heard beside it (skill.go). That
// regression is kept to blocks of which the surface was not sure: taught by the sure
// ones, too, it swung, and a disc with a thousand scratches took up to half as long again
// on some seeds; and so it did where it learnt three times as fast. Marks add up under a
// block, so blocks that begin at the same angle a few turns away say more than the cells' sum
// (alike.go). What cost most where failures
// followed no pattern was a price: the first block ever timed, after failures, was taken
// for one at full speed (price.go).
//
// Where a half of a disc is dead most was lost by failures from which the regression
// unlearnt all belief in the surface, and by going there again from full speed. The rate
// of the rings within 6 mm as the prior of all cells cured that, but a blot of 13 mm took
// a third longer: now it is the prior only where nothing came at all. That reaches as far
// again as it reaches already, or a dead layer is asked for once more in each band of radii;
// all the way to the nearest place at which something came, it made that blot take twice as
// long. Where every second block is bad the regression held a bad block for a good sign of
// the next one, and the way to a block counted as a part of its failure's price: so passing
// over, which costs more ways, seemed to pay the more the more of it was done.
//
// Where the regression believes what is beside a block and not the surface, of hundreds of
// places that are alike the best is best by luck, and is taken for no better than their mean
// (luck.go). On a whole DVD patches of which a quarter is good take 0.97 of stretches' time
// until 99 % is there (1.22 before, for ways from patch to patch) and 0.70 until half is;
// patches of which most is good 1.02. On discs of 2,000, 10,000 and 20,000 blocks, where it
// took half of the time to find that out, the latter took up to 1.49, 1.25 and 1.19 of it; now
// luck comes first, until sixty have failed, and they take 1.03 or less, some few of a hundred
// up to 1.13. A surface is looked at later for it.
// Meanwhile a row of failures is left sooner than the surface says, and its ends are gone to
// (row.go): discs of 500 to 5,000 blocks with runs of a hundred bad ones take a third to three
// fifths of the time for it.
// Other ways were worse. To let that first luck count for as much as one that is shown: a disc
// with a few scratches came a third later in the mean, and a quarter for what is passed over
// alone. To take looks meanwhile, or to let it count only where the drive is slow: such patches
// took up to 1.3. To pass nothing over before a run begins, either: runs of a hundred dead
// blocks took twice as long as by stretches, since what is good behind them was not gone to. To
// read a place through until eight failures running: patches took twice as long until half was
// there, and such runs twice as long until 99 %. To begin at half of the share of what is
// beside (luckFrom), so that looks ahead end sooner: a disc with a thousand scratches
// took a fifth longer until 90 %. And to read a slice through now and then, and to go on with
// whichever way brought more good blocks a second: what the plan takes first always brings
// more, and it is what it leaves in pieces that costs.
//
// What other rounds and drives learned gives the period, and says which blocks
// were bad and where the track was lost: kinds of blocks of which each has a rate
// of its own, learnt like a cell's (hint.go).
package plan

import (
	"fmt"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Disc is what the plan knows of the disc and of how a drive is asked for it.
type Disc struct {
	Written     sector.Set // the written area
	Block       int64      // sectors of an ECC block; below 1 counts as 1
	Largest     int64      // sectors of the largest request, a multiple of Block; below Block counts as Block
	WholeBlocks bool       // the drive decodes whole blocks: a failed one is not taken apart

	// Kind is what the disc is known to be: "dvd", "cd" or "bd". With anything
	// else nothing is known of where a sector lies, and the order is by stretches.
	Kind     string
	Layers   []int64 // sectors of each layer, in order of address; none where that is not known
	Parallel bool    // track path of several layers: parallel, not opposite
}

// Retries is the read retry counts that the drive can be set to: the least, and
// its own. Where both are the same, none is asked for.
type Retries struct{ Least, Own uint8 }

// Past is what a pass over the same disc learned.
type Past struct {
	Round, Drive int
	Settings     []mapfile.Settings
	Runs         []mapfile.Run // in order of address
}

// Task is one pass to plan. The plan changes none of it and keeps none of
// History; Good may change once New has returned.
type Task struct {
	Disc         Disc
	Good         sector.Set // what the image has already
	Only         sector.Set // the pass is restricted to these sectors; empty: no restriction
	Round, Drive int
	History      []Past // oldest first, of all rounds and drives, also of this round and drive
	Again        bool   // ask also for what this round and drive did not bring before
	Retries      Retries
	ToTheEnd     bool  // go on until everything was asked for, however little it brings
	SurveyEvenly bool  // all samples of a survey are spread evenly: their share is that of the whole
	Survey       int64 // sample the surface: so many single blocks at most, and at most one in a hundred; 0: no survey
}

// Request is what to ask for next.
type Request struct {
	Range    sector.Range     // whole ECC blocks, or a run of what is missing of one
	Settings mapfile.Settings // to read it by
	Slow     bool             // a wish: at the drive's lowest speed
	Alone    bool             // one sector by itself, of a block that holds more
	Why      string           // half a sentence for the person who watches
}

// Outcome is what became of a request. One in which nothing came and nothing
// failed, and which is no blur, hands the request back: it was not asked, and
// will be asked again.
type Outcome struct {
	Request Request
	Good    int64          // leading sectors that came
	Failed  int64          // sectors right behind them that failed; the rest counts as not asked
	Result  mapfile.Result // of the failed ones: LostTrack, Stalled, or any other for Failed
	Blur    bool           // the rest failed somewhere, there is no telling where: Failed is 0
	Blurred int64          // of a blur, as many sectors behind the good ones as it covers; 0: all of the rest
	Weak    bool           // the good ones came with more work than usual
	Took    time.Duration
}

// Step is what Next has to say.
type Step uint8

const (
	Ask  Step = iota // the request is to be asked
	Wait             // nothing until an outstanding request has its outcome
	Done             // nothing is left to ask in this pass
)

// End is how a pass ended by itself.
type End struct {
	How string // "complete", or "little-left": what is left is not worth its time
	Why string // a sentence without its period
}

// Plan is the plan of one pass. It is not safe for several goroutines.
type Plan struct {
	work
	out     []Request // outstanding
	surface order     // nil once step 3 has begun
	place   *byPlace  // with the model of the surface; nil where the geometry is not known
	apart   *apart    // nil while step 3 has not begun
	left    int64
	begun   bool // there was something to ask for
	done    bool
	early   End // why the pass ended before everything was asked for
}

// New plans a pass.
func New(t Task) *Plan {
	w := workOf(t)
	ask, _ := w.ask()
	p := &Plan{work: w, left: ask.Count(), begun: !ask.Empty()}
	legs := legsOf(&w.disc)
	if legs == nil || w.fresh.Empty() && w.few.empty() {
		p.surface = newByStretches(w.disc, w.fresh)
		return p
	}
	s := newByPlace(&t, &w, legs)
	p.surface, p.place = s, s
	if t.Survey > 0 {
		p.surface = newBySample(s, samples(t.Survey, w.disc.Written.Count()/w.disc.Block), t.SurveyEvenly)
	}
	return p
}

// order is steps 1 and 2 of a pass.
type order interface {
	next(idle bool) (Request, Step)
	note(Outcome) int64
	addTo(*past)
	ended() End // once next is done: why before everything was asked for; zero where all was
}

// Next is the next request, which is outstanding from then on. Wait is never
// returned while nothing is outstanding, Done never while something is.
func (p *Plan) Next() (Request, Step) {
	r, step := p.next()
	switch step {
	case Ask:
		p.out = append(p.out, r)
	case Done:
		p.done, p.left = true, 0
	}
	return r, step
}

func (p *Plan) next() (Request, Step) {
	idle := len(p.out) == 0
	if p.apart == nil {
		r, step := p.surface.next(idle)
		if step != Done {
			return r, step
		}
		if p.early = p.surface.ended(); p.early != (End{}) {
			return Request{}, Done
		}
		p.beginApart()
	}
	return p.apart.next()
}

// beginApart goes over to step 3: every block was asked for once.
func (p *Plan) beginApart() {
	if p.takesApart() {
		p.surface.addTo(&p.past)
	}
	p.surface, p.fresh, p.few = nil, sector.Set{}, few{}
	owed, parts := p.ask()
	p.left = owed.Count()
	p.apart = &apart{then: parts}
}

// Note takes the outcome of an outstanding request; they may come in any order.
// The outcome of a request that is not outstanding is passed over. Counts that
// are negative or beyond the range are cut to it. A blur of a request within one
// block counts as that block's failure.
func (p *Plan) Note(o Outcome) {
	r := o.Request.Range
	for i, q := range p.out {
		if q.Range != r || q.Alone != o.Request.Alone {
			continue
		}
		p.out = append(p.out[:i], p.out[i+1:]...)
		o.Good = min(max(0, o.Good), r.Count())
		o.Failed = min(max(0, o.Failed), r.Count()-o.Good)
		if rest := o.beyondBlur(p.disc.Block); !rest.Empty() {
			back := o.Request
			o.Request.Range.End, back.Range = rest.First, rest
			p.decide(o)
			o = Outcome{Request: back}
		}
		p.decide(o)
		return
	}
}

// beyondBlur is what of a request counts as not asked behind a blur: whole blocks.
func (o Outcome) beyondBlur(block int64) (none sector.Range) {
	if !o.Blur || o.Blurred <= 0 {
		return none
	}
	r := o.Request.Range
	behind := sector.Range{First: r.First, End: min(r.First+sector.LBA(min(o.Good+o.Blurred, r.Count())), r.End)}
	return sector.Range{First: behind.Blocks(block).End, End: r.End}
}

// decide passes an outcome on to the step of the order that runs.
func (p *Plan) decide(o Outcome) {
	if r := o.Request.Range; o.Blur && r.Blocks(p.disc.Block).Count() == p.disc.Block {
		o.Failed, o.Blur = r.Count()-o.Good, false
	}
	if p.apart != nil {
		p.left -= p.apart.note(o)
	} else {
		p.left -= p.surface.note(o)
	}
}

// Left is the number of sectors that are still to be asked in this pass, those
// of outstanding requests among them. It grows once, when all blocks were asked
// for and some that failed are to be taken apart; from then on it is what is
// left if single sectors go on coming.
func (p *Plan) Left() int64 { return p.left }

// End says why nothing is left to ask, once Next has said Done; before that it is
// zero.
func (p *Plan) End() End {
	switch {
	case !p.done:
		return End{}
	case !p.begun:
		return End{How: complete, Why: "there was nothing to ask for"}
	case p.early != (End{}):
		return p.early
	case p.apart.stopped:
		return End{How: complete, Why: fmt.Sprintf("everything missing was asked for; the rest of the failed blocks "+
			"was not asked for sector by sector, since %d blocks running yielded nothing", fruitlessLimit)}
	}
	return End{How: complete, Why: "everything missing was asked for"}
}

const (
	complete   = "complete"
	littleLeft = "little-left"
)
