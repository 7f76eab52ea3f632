package plan

import (
	"math"

	"turnstone/device/sector"
)

// fruitlessLimit is how many failed blocks running may yield nothing when their
// sectors are asked for one by one, until that ends.
const fruitlessLimit = 8

// Half sentences for the person who watches.
const (
	whyEnds  = "sector by sector: what is left of failed blocks at the edges of damage"
	whyInner = "sector by sector: what is left of failed blocks inside damage"
)

// part is one of the two parts of step 3. The first is the ends, the first and
// the last block of every run of neighbouring failed blocks: damage rarely keeps
// to block boundaries, so there a block is likeliest to be bad only in part. The
// second is the inner blocks. Each is in order of address:
//
//	failed blocks   · # # # # # · · # · # # ·
//	ends              1       2     3   4 5
//	inner               1 2 3
//
// The runs are those of all blocks that failed for this round and drive, taken
// apart already or not, so that they stay the same while blocks are taken apart.
type part struct {
	why   string
	block int64      // sectors
	owed  sector.Set // to be asked for alone
	alone sector.Set // blocks of which sectors were asked for alone already
	came  sector.Set // blocks of which a sector came, those of the other part too
}

// parts are the two parts of what is owed.
func (w *work) parts(owed sector.Set) []part {
	past, ends := &w.past, w.ends()
	return []part{
		{whyEnds, w.disc.Block, owed.Intersect(&ends), past.alone.Intersect(&ends), past.came},
		{whyInner, w.disc.Block, owed.Subtract(&ends), past.alone.Subtract(&ends), past.came},
	}
}

// ends is the first and the last block of every run of failed ones.
func (w *work) ends() sector.Set {
	var failed, ends []sector.Range
	for r := range w.past.failed.Runs() {
		b := r.Blocks(w.disc.Block)
		if n := len(failed); n == 0 || failed[n-1] != b { // a block may have failed in many runs
			failed = append(failed, b)
		}
	}
	all := plus(w.past.alone.Union(&w.past.stalled), failed)
	block := sector.LBA(w.disc.Block)
	for r := range all.Runs() {
		ends = append(ends, sector.Range{First: r.First, End: r.First + block}, sector.Range{First: r.End - block, End: r.End})
	}
	return sector.Of(ends...)
}

// unsure is the blocks that were not asked for in full yet, and those beside
// them: nobody knows in which part they will be, nor what will come of them.
func (w *work) unsure() sector.Set {
	var unsure []sector.Range
	block := sector.LBA(w.disc.Block)
	for r := range w.fresh.Runs() {
		b := r.Blocks(w.disc.Block)
		unsure = append(unsure, sector.Range{First: b.First - block, End: b.End + block})
	}
	return sector.Of(unsure...)
}

// reach is where the part ends by what is known already: behind the eighth block
// running that yielded nothing; math.MaxInt64 where it does not. A block with
// sectors that are still to be asked for may yield yet, an unsure one may do
// anything.
func (p *part) reach(unsure *sector.Set) sector.LBA {
	fruitless, from := 0, sector.LBA(0)
	for r := range p.alone.Runs() {
		if before := (sector.Range{First: from, End: r.First}); p.owed.Overlaps(before) || unsure.Overlaps(before) {
			fruitless = 0
		}
		for b := r.First; b < r.End; {
			if end := p.yields(unsure, b); end > b {
				fruitless, b = 0, end
				continue
			}
			b += sector.LBA(p.block)
			if fruitless++; fruitless == fruitlessLimit {
				return b
			}
		}
		from = r.End
	}
	return math.MaxInt64
}

// yields is how far the blocks from b on are known to have yielded something, or
// may do so yet; b where the block at b did not.
func (p *part) yields(unsure *sector.Set, b sector.LBA) sector.LBA {
	for _, s := range []*sector.Set{&p.came, &p.owed, unsure} {
		if r, ok := s.Next(b); ok && r.First < b+sector.LBA(p.block) {
			return sector.Range{First: b, End: r.End}.Blocks(p.block).End
		}
	}
	return b
}
