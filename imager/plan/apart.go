package plan

import (
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// fruitlessLimit is how many failed blocks running may yield nothing when their
// sectors are asked for one by one, until that ends.
const fruitlessLimit = 8

const whyAlone = "sector by sector: what is left of failed blocks"

// apart is step 3 of the order: what is left of failed blocks, sector by sector,
// blocks in order of address. Blocks that earlier passes took apart lie among
// them and count as they did there, so that it does not matter where those
// passes were cut off.
type apart struct {
	block       int64
	owed        sector.Set // to be asked for alone
	alone, came sector.Set // blocks of which sectors were asked for alone already, and came

	at      sector.LBA // where the next block is looked for
	before  tally      // of the blocks before those in hand
	hand    []opened   // in order of address
	stopped bool       // before all of owed was asked for
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
				return Request{Range: r, Alone: true, Why: whyAlone}, Ask
			}
		}
		a.settle()
		if a.worst() == fruitlessLimit || !a.open() {
			if len(a.hand) > 0 {
				return Request{}, Wait
			}
			_, a.stopped = a.owed.Next(a.at)
			return Request{}, Done
		}
	}
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
// requests did; false where nothing is owed any more.
func (a *apart) open() bool {
	owed, ok := a.owed.Next(a.at)
	if !ok {
		return false
	}
	block := sector.Span(owed.First, 1).Blocks(a.block)
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
