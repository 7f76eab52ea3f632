package plan

import (
	"cmp"
	"math"
	"slices"
	"time"

	"turnstone/device/sector"
)

// Share is what reading on should bring of a part of a disc: a range of sectors.
type Share struct {
	Open      int64 // sectors of it that may still be asked for
	Low, High float64
}

// Work is what a drive has done so far in the round.
type Work struct {
	Took   time.Duration
	Came   int64 // sectors
	Failed int64 // requests
	Over   bool  // the pass has ended: what failed in it is not asked for once more
	Later  bool  // the surface was treated since the first pass, and by how much it is better nobody knows
}

// wrong is by how much chances may be wrong, of what was read near.
func (w Work) wrong() float64 {
	if w.Later {
		return wrongLater
	}
	return wrongChance
}

// Shares is what reading on with the drive should bring of each part of a disc within a
// time. All are zero where the geometry is not known.
//
// A model that knows no more than this round's passes hopes for too much of what is left,
// for the plan has left it, and of when which part's turn comes it knows little. So the
// least is what comes of the blocks that are nearly sure when all others that are worth
// as much, to a power of ten, have gone before; and the most is what comes when the part
// is read before all others. What failed in a pass that goes on is not all lost: it is
// asked for once more with all retries, or sector by sector.
//
// Blocks that are nearly sure are read first, so what is left of them when a pass has gone
// on for much longer than they take is not so sure: that much of the least is believed.
//
// Where nothing was read within the estimate's coarsest scale the model knows no more than the
// disc's average, and blots and hazy regions lie in places: there chances may be far too high.
//
// How long a failed request takes is what the drive took for one so far, with all that it
// had to make up for: without that, an hour was expected to suffice for three.
func (p *Plan) Shares(within time.Duration, done Work, parts []sector.Set) []Share {
	shares := make([]Share, len(parts))
	s := p.place
	if s == nil {
		return shares
	}
	all, queue := s.prospects(p.disc.Block, done)
	trusted := trustedAfter(done.Took, all)
	for i := range parts {
		x := s.share(within.Seconds(), all, queue, &parts[i], done)
		x.Low *= trusted
		shares[i] = x
	}
	return shares
}

// Held against what came on 17 scenarios (TestShares -shares), 2,273 cases in all: what came
// lay within the range in 95 of a hundred, and below it in four; least often, in 87, on a disc
// with a ring of haze. Eight of the scenarios were made after all but the doubts were chosen.
const (
	nearlySure  = .8  // chance of a block that the least counts
	outOfStep   = 4   // deviations: blocks fail together, under one mark
	wrongChance = .25 // by how much chances may be wrong, on the whole
	wrongLater  = .5  // and after a treatment, for what failed before it counts, and what it did is not known
	wrongUnseen = .7  // and too high where nothing was read near: nobody knows what lies there
	secondLook  = .5  // of what failed that comes yet, at the most: a drive with many retries gives that
)

// hopes is what there is to hope of an open block.
type hopes struct {
	chance, cost float64
	full         float64 // of the cost what reading takes
	worth        int     // power of ten of the blocks a second that it brings; 0 chance: noWorth
	wrong        float64 // by how much the chance may be too high
}

const noWorth = -12

// queue is the time that all open blocks of a worth take, by it.
type queue map[int]float64

// before is the time that is gone when a part's blocks of a worth have their turn: all of
// the same worth but its own, which take so long, go before.
func (q queue) before(worth int, own float64) float64 {
	t := -own
	for w, x := range q {
		if w >= worth {
			t += x
		}
	}
	return max(0, t)
}

// prospects is what there is to hope of each block, nil where it is not open, and how long
// they take.
func (s *byPlace) prospects(block int64, done Work) ([]*hopes, queue) {
	all, q := make([]*hopes, len(s.state)), queue{}
	failure := 0.0
	if done.Failed > 0 {
		reading := float64(done.Came/max(1, block)) * s.price.block(bands/2)
		failure = max(0, done.Took.Seconds()-reading) / float64(done.Failed)
	}
	w := s.walker(0)
	seen := s.field.seenNear()
	wrong := done.wrong()
	for b, st := range s.state {
		if st != open && st != out {
			continue
		}
		x := w.look(int64(b))
		full := s.full(w.ring)
		h := hopes{chance: x.chance, full: full, worth: noWorth, wrong: wrongUnseen + (wrong-wrongUnseen)*seen[w.ring]}
		h.cost = full + (1-h.chance)*max(x.cost, failure)
		if rate := h.chance / h.cost; rate > 0 {
			h.worth = max(noWorth, int(math.Floor(math.Log10(rate))))
		}
		all[b] = &h
		q[h.worth] += h.cost
	}
	return all, q
}

// trustedAfter is the share of what is nearly sure that is believed after so much work:
// that of the time in which it would have been read, at the least speed and with its
// failures.
func trustedAfter(took time.Duration, all []*hopes) float64 {
	reading := 0.0
	for _, h := range all {
		if h != nil && h.chance >= nearlySure {
			reading += h.full/ladder[len(ladder)-1] + h.cost - h.full
		}
	}
	if took <= 0 {
		return 1
	}
	return min(1, reading/took.Seconds())
}

// portion is an open block with sectors of a part.
type portion struct {
	*hopes
	sectors float64
}

// share is that of one part.
func (s *byPlace) share(limit float64, all []*hopes, q queue, part *sector.Set, done Work) Share {
	var x Share
	var own []portion
	took := map[int]float64{}
	closed, last := int64(0), int64(-1)
	for r := range part.Runs() {
		for b := range s.blocks(r) {
			n := s.sectors(b).Intersect(r).Count()
			switch {
			case b < 0 || b >= int64(len(all)):
			case all[b] == nil:
				closed += n
			case b == last:
				x.Open += n
				own[len(own)-1].sectors += float64(n)
			default:
				x.Open += n
				own = append(own, portion{all[b], float64(n)})
				took[all[b].worth] += all[b].cost
				last = b
			}
		}
	}
	slices.SortStableFunc(own, func(a, b portion) int { return cmp.Compare(b.chance*a.cost, a.chance*b.cost) })
	wrong := done.wrong()
	var least, most hoped
	at, early, worth := 0.0, 0.0, math.MaxInt
	for _, k := range own {
		if early += k.cost; early <= limit {
			most.add(k, wrong)
		}
		if k.worth != worth {
			worth = k.worth
			at = q.before(worth, took[worth])
		}
		if at += k.cost; at <= limit && k.chance >= nearlySure {
			least.add(k, k.wrong)
		}
	}
	x.Low = max(0, least.sum-least.doubt())
	x.High = min(float64(x.Open), most.sum+most.doubt())
	if !done.Over {
		x.High += secondLook * float64(closed)
	}
	return x
}

// hoped is what is expected of blocks together, in sectors, and by how much their chances
// may be wrong.
type hoped struct{ sum, spread, wrong float64 }

func (h *hoped) add(k portion, wrong float64) {
	h.sum += k.sectors * k.chance
	h.spread += k.sectors * k.sectors * k.chance * (1 - k.chance)
	h.wrong += k.sectors * wrong
}

// doubt is by how much that may be wrong.
func (h *hoped) doubt() float64 { return outOfStep*math.Sqrt(h.spread) + h.wrong }

// seenNear is how much the estimate of each ring rests on blocks that were asked for within
// its coarsest scale: from 0, none was, up to 1.
func (f *field) seenNear() []float64 {
	upTo := make([]float64, len(f.rings)) // what was seen in the rings before each
	for i := range f.seen {
		upTo[i+1] = upTo[i] + f.seen[i].mean()
	}
	near := make([]float64, len(f.rings))
	l := &levels[0]
	for i := range f.span {
		seen := upTo[min(f.span[i][1], i+l.reach+1)] - upTo[max(f.span[i][0], i-l.reach)]
		near[i] = seen / (seen + float64(l.weight))
	}
	return near
}
