package plan

import (
	"math"
	"slices"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// apart is step 3 of the order: what is left of failed blocks, sector by sector,
// the ends and then the inner blocks. Blocks that earlier passes took apart lie
// among them and count as they did there, so that it does not matter where those
// passes were cut off.
type apart struct {
	part        // in hand
	then []part // unless that one ends early

	at      sector.LBA // where the next block is looked for
	before  tally      // of the blocks before those in hand
	hand    []opened   // in order of address
	stopped bool       // before all that is owed was asked for
}

// opened is a block that this pass takes apart.
type opened struct {
	block sector.Range
	left  sector.Set // not asked yet
	out   int        // requests outstanding
	came  bool       // something came of it
	ended bool       // the drive stalled in it
	after tally      // of blocks between it and the next one in hand, known already
}

func (b *opened) decided() bool { return b.out == 0 && b.left.Empty() }

// tally counts blocks running that yielded nothing, over a part of the order.
type tally struct {
	yield     bool // a block of the part yielded something
	fruitless int  // blocks behind the last that did, or behind the part's beginning
}

func (t *tally) add(came bool) {
	if came {
		*t = tally{yield: true}
	} else {
		t.fruitless++
	}
}

// over is the count behind the part where n is the count before it.
func (t tally) over(n int) int {
	if t.yield {
		return t.fruitless
	}
	return n + t.fruitless
}

// over is the count behind b, and the blocks that follow it, where n is the count
// before it.
func (b *opened) over(n int) int {
	own := tally{}
	own.add(b.came)
	return b.after.over(own.over(n))
}

func (a *apart) next() (Request, Step) {
	for {
		for i := range a.hand {
			b := &a.hand[i]
			if r, ok := b.left.Next(0); ok {
				r = sector.Span(r.First, 1)
				b.left.Remove(r)
				b.out++
				return Request{Range: r, Alone: true, Why: a.why}, Ask
			}
		}
		a.settle()
		switch {
		case a.worst() < fruitlessLimit && a.open():
		case len(a.hand) > 0: // the next part may depend on it
			return Request{}, Wait
		case a.worst() < fruitlessLimit && len(a.then) > 0:
			*a = apart{part: a.then[0], then: a.then[1:]}
		default:
			a.stopped = a.leaves()
			return Request{}, Done
		}
	}
}

// leaves tells whether something is owed that was not come to.
func (a *apart) leaves() bool {
	_, owed := a.owed.Next(a.at)
	return owed || slices.ContainsFunc(a.then, func(p part) bool { return !p.owed.Empty() })
}

// settle counts the blocks at the head of the hand whose yield is known.
func (a *apart) settle() {
	for len(a.hand) > 0 && a.hand[0].decided() {
		a.before = tally{fruitless: a.hand[0].over(a.before.fruitless)}
		a.hand = a.hand[1:]
	}
}

// worst is how many blocks running will have yielded nothing if nothing comes
// that has not come yet. No block is begun that the order would not come to
// then: so it makes no difference how many requests are outstanding.
func (a *apart) worst() int {
	n := a.before.fruitless
	for i := range a.hand {
		n = a.hand[i].over(n)
	}
	return n
}

// open goes on to the next block: takes it in hand, or counts it where earlier
// requests did; false where the part has no more.
func (a *apart) open() bool {
	block := sector.Range{First: math.MaxInt64, End: math.MaxInt64}
	owed, ok := a.owed.Next(a.at)
	if ok {
		block = sector.Span(owed.First, 1).Blocks(a.block)
	}
	if known, ok := a.alone.Next(a.at); ok && known.First < block.First {
		last := &a.before
		if n := len(a.hand); n > 0 {
			last = &a.hand[n-1].after
		}
		a.at = known.First + sector.LBA(a.block)
		came, _ := a.came.Next(known.First)
		yield := !came.Empty() && came.First < a.at
		if yield { // as all that follow it there did
			a.at = min(came.End, known.End, block.First)
		}
		last.add(yield)
		return true
	}
	if !ok {
		return false
	}
	b := opened{block: block, came: a.came.Overlaps(block)}
	for r := range a.owed.In(block) {
		b.left.Add(r)
	}
	a.hand = append(a.hand, b)
	a.at = block.End
	return true
}

// note takes an outcome and gives the number of sectors that it decides.
func (a *apart) note(o Outcome) int64 {
	r := o.Request.Range
	for i := range a.hand {
		b := &a.hand[i]
		if !b.block.Covers(r) {
			continue
		}
		b.out--
		switch {
		case o.Good > 0:
			b.came = true
		case o.Failed == 0 && !b.ended:
			b.left.Add(r)
			return 0
		case o.Failed > 0 && o.Result == mapfile.Stalled:
			// Sectors beside it lie in the same block: the drive would stall again.
			left := b.left.Count()
			b.ended, b.left = true, sector.Set{}
			return left + 1
		}
		return 1
	}
	return 0
}
