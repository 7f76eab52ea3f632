package plan

import "math"

// prospect is what is expected of one block.
type prospect struct {
	chance float64 // that it comes
	cost   float64 // of its failure, in seconds, the slow-down apart
}

// debtShares is how much of the slow-down's cost a failure is charged with once
// few sure blocks are left: a drive that is slow and reads among marks may as well
// stay so. Found by trial.
var debtShares = [len(ladder)]float64{1, 1, .6, .4, .2, .2}

// firstShape is the shape of the gamma distribution by which the loss along a run
// is uncertain where no failure is near: what is clean so far is likely to be
// clean for long.
const firstShape = .6

// What was passed over has to be come back for. Without it a disc whose blocks fail one
// by one is read in fragments.
const (
	comeBack   = .03 // seconds for a block: part of a move, since others are left about it
	comeBackAt = 10  // blocks a second, the most that this time is taken to be worth: at speed less is lost
)

// walk looks at the run that begins at or behind a block: it passes over blocks
// that cost more than they bring, and goes as far as it pays. Until the run begins a
// block is passed over that is as many times too dear as is given in first, from there on as
// luck has it (luck.past).
//
//	blocks   ─ o o o · · o o · o o ─        o asked, · passed over or not open
//	alive    1 ╲___________________         chance that none has failed so far
//	gain       sum of alive                 it ends at the first failure: then the
//	cost       transfer, gaps, failure      model knows more and chooses anew
func (s *byPlace) walk(z *zone, from int64, first float64) {
	worth := s.worth
	if s.careful() {
		worth = min(worth, dearest/s.price.block(z.band))
	}
	z.stale, z.worth, z.luck, z.full = false, worth, s.luck.past(), s.price.block(z.band)
	z.start, z.count, z.past, z.gain, z.cost = from, 0, 0, 0, 0
	w := s.walker(from)
	w.deal(z.full, worth, first)
	alive, sum, gain, cost, best := 1.0, 0.0, 0.0, 0.0, 0.0
	n, gap := 0, int64(0)
	for b := from; b < int64(len(s.state)) && n < horizon && gap < widestGap && alive > .1; b++ {
		if s.state[b] != open {
			gap++
			continue
		}
		x := w.look(b)
		if w.passOver(x) {
			gap++
			z.past++
			continue
		}
		if n == 0 {
			z.start, w.luck = b, z.luck
		} else if gap > 0 {
			cost += alive * s.gap(gap, z.band, w.rung)
		}
		gap = 0
		sum -= math.Log(x.chance)
		next := math.Exp(-w.shape * math.Log(1+sum/w.shape))
		gain += next
		cost += alive*w.full*w.pace + (alive-next)*(x.cost+w.slow)
		n++
		alive = next
		w.read()
		// A fiftieth of a second stands for the choice's own cost: it keeps runs
		// from being cut into single blocks.
		if v := gain / (cost + .02); v > best {
			best, z.gain, z.cost, z.count = v, gain, cost, n
		}
	}
}

// gather lists the blocks of a zone's run.
func (s *byPlace) gather(z *zone, run []int64) []int64 {
	w := s.walker(z.start)
	w.deal(s.price.block(z.band), z.worth, z.luck)
	for b := z.start; b < int64(len(s.state)) && len(run) < z.count; b++ {
		if s.state[b] != open {
			continue
		}
		x := w.look(b)
		if b > z.start && w.passOver(x) {
			continue
		}
		run = append(run, b)
		w.read()
	}
	return run
}

// walker goes along the track. What holds for a walk, for a ring or for a rung of the
// ladder it works out once: it looks at thousands of blocks for each that is asked for.
type walker struct {
	s             *byPlace
	medium, track float64 // seconds of a failure, of either kind

	ring  int   // in which the block lies that was looked at last
	first int64 // block of that ring ...
	end   int64 // ... and the one behind it; 0: nothing was looked at
	shape float64
	lost  float64 // share of the failures here that lose the track
	cost  float64 // of the failure of a block of which nothing was heard

	full  float64 // of a block at full speed
	worth float64 // blocks that a second is worth
	luck  float64 // how many times too dear a block is that is passed over
	rung  int     // at which the drive would be
	good  int64
	slow  float64 // seconds that a failure costs for the slow-down
	pace  float64 // times of a block at full speed that one takes
}

// walker begins to look at blocks from b on.
func (s *byPlace) walker(b int64) walker {
	return walker{s: s, ring: s.field.ringOf(b), medium: s.price.medium.of(), track: s.price.lost.of(), rung: s.price.rung, good: s.price.good}
}

// deal says what a block takes at full speed, and how many a second is worth.
func (w *walker) deal(full, worth, luck float64) {
	w.full, w.worth, w.luck = full, worth, luck
	w.step()
}

// look is what is expected of a block.
func (w *walker) look(b int64) prospect {
	if b < w.first || b >= w.end {
		w.enter(b)
	}
	cost := w.cost
	if kind := w.s.field.kind[b]; kind != unheard {
		cost = w.failure(w.s.field.hints[kind].losing(kind, w.lost))
	}
	return prospect{w.s.chance(w.ring, b), cost}
}

// enter goes to the ring of block b.
func (w *walker) enter(b int64) {
	f := w.s.field
	w.ring = f.ringFrom(w.ring, b)
	w.first, w.end = f.rings[w.ring].first, f.rings[w.ring+1].first
	fails, lost := f.near(w.ring)
	w.shape = firstShape + fails
	w.lost = (lost + .5) / (fails + 1)
	w.cost = w.failure(w.lost)
}

// failure is the seconds of one where such a share of them loses the track.
func (w *walker) failure(lost float64) float64 { return w.medium*(1-lost) + w.track*lost }

// read takes a block for read.
func (w *walker) read() {
	if w.rung > 0 {
		if w.good++; w.good == climb {
			w.rung, w.good = w.rung-1, 0
		}
		w.step()
	}
}

// step says what the drive's speed means.
func (w *walker) step() {
	share := w.s.debtShare(w.rung)
	w.slow = share * w.full * slower(w.rung, w.good)
	w.pace = 1 + (1/ladder[w.rung]-1)*(1-share)
}

// passOver tells whether a block is better passed over now.
func (w *walker) passOver(x prospect) bool {
	loses := w.worth * (x.cost + w.slow) * (1 - x.chance) / w.luck
	// Most are so good or so bad that it does not matter what coming back is worth,
	// which is nothing at the least, and at the most the price.
	switch {
	case x.chance >= loses:
		return false
	case x.chance+min(w.worth, comeBackAt)*comeBack < loses:
		return true
	}
	back := w.s.standing.back(x.chance/(w.full+(1-x.chance)*x.cost), w.worth)
	return x.chance+min(back, comeBackAt)*comeBack < loses
}

// expected is the chance of a block, and the outcome since which it holds.
type expected struct {
	chance float64
	moment uint32
}

// chance is that of block b of a ring. Runs are looked along from many places until an
// outcome changes what is expected: till then it is kept.
func (s *byPlace) chance(ring int, b int64) float64 {
	x := &s.expects[b]
	if x.moment != s.moment {
		p := s.believed(ring, b)
		if s.luck.on {
			p = s.proved.chance(p) * s.rows.factor(s.skill.row(b))
		}
		*x = expected{p, s.moment}
	}
	return x.chance
}

// believed is what is expected of it by the surface, and by what is beside it.
func (s *byPlace) believed(ring int, b int64) float64 {
	return s.skill.chance(b, s.trusted(ring, b))
}

// trusted is what the model of the surface alone expects of it: where it is unlikely to
// come by that, corrected by what came of such blocks.
func (s *byPlace) trusted(ring int, b int64) float64 {
	chance := s.bySurface(ring, b)
	if chance < doubtful {
		chance = s.trust.chance(chance)
	}
	return chance
}

// bySurface is the chance of a block by the model of the surface.
func (s *byPlace) bySurface(ring int, b int64) float64 {
	return max(s.field.chance(ring, b), least)
}

// near is the failures around a ring, and the lost tracks among them.
func (f *field) near(ring int) (fails, lost float64) {
	const reach = 8
	for j := max(f.span[ring][0], ring-reach); j < min(f.span[ring][1], ring+reach+1); j++ {
		fails += float64(len(f.rings[j].fails))
		lost += float64(f.rings[j].lost)
	}
	return fails, lost
}
