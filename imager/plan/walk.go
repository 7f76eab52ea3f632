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

// passOver tells whether a block is better passed over now, where a second is worth so
// many blocks, and the failure costs so much more for the slow-down.
func (s *byPlace) passOver(x prospect, full, worth, slow float64) bool {
	back := s.standing.back(x.chance/(full+(1-x.chance)*x.cost), worth)
	return x.chance+min(back, comeBackAt)*comeBack < worth*(x.cost+slow)*(1-x.chance)
}

// walk looks at the run that begins at or behind a block: it passes over blocks
// that cost more than they bring, and goes as far as it pays.
//
//	blocks   ─ o o o · · o o · o o ─        o asked, · passed over or not open
//	alive    1 ╲___________________         chance that none has failed so far
//	gain       sum of alive                 it ends at the first failure: then the
//	cost       transfer, gaps, failure      model knows more and chooses anew
func (s *byPlace) walk(z *zone, from int64) {
	worth := s.worth
	if s.careful() {
		worth = min(worth, dearest/s.price.block(z.band))
	}
	z.stale, z.worth, z.full, z.start, z.count, z.past, z.gain, z.cost = false, worth, s.price.block(z.band), from, 0, 0, 0, 0
	w := walker{s: s, rung: s.price.rung, good: s.price.good, full: z.full, ring: s.field.ringOf(from), near: -1}
	alive, sum, gain, cost, best := 1.0, 0.0, 0.0, 0.0, 0.0
	n, gap := 0, int64(0)
	for b := from; b < int64(len(s.state)) && n < horizon && gap < widestGap && alive > .1; b++ {
		if s.state[b] != open {
			gap++
			continue
		}
		x := w.look(b)
		p := x.chance
		slow := s.debtShare(w.rung) * w.full * slower(w.rung, w.good)
		if s.passOver(x, w.full, z.worth, slow) {
			gap++
			z.past++
			continue
		}
		if n == 0 {
			z.start = b
		} else if gap > 0 {
			cost += alive * s.gap(gap, z.band, w.rung)
		}
		gap = 0
		sum -= math.Log(p)
		next := math.Pow(1+sum/w.shape, -w.shape)
		gain += next
		cost += alive*w.full*(1+(1/ladder[w.rung]-1)*(1-s.debtShare(w.rung))) + (alive-next)*(x.cost+slow)
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
	w := walker{s: s, rung: s.price.rung, good: s.price.good, full: s.price.block(z.band), ring: s.field.ringOf(z.start), near: -1}
	for b := z.start; b < int64(len(s.state)) && len(run) < z.count; b++ {
		if s.state[b] != open {
			continue
		}
		x := w.look(b)
		if b > z.start && s.passOver(x, w.full, z.worth, s.debtShare(w.rung)*w.full*slower(w.rung, w.good)) {
			continue
		}
		run = append(run, b)
		w.read()
	}
	return run
}

// walker goes along the track.
type walker struct {
	s     *byPlace
	ring  int
	near  int // ring of which what follows is known
	shape float64
	lost  float64 // share of the failures here that lose the track

	full float64 // of a block
	rung int     // at which the drive would be
	good int64
}

func (w *walker) look(b int64) prospect {
	f := w.s.field
	w.ring = f.ringFrom(w.ring, b)
	if w.near != w.ring {
		w.near = w.ring
		fails, lost := f.near(w.ring)
		w.shape = firstShape + fails
		w.lost = (lost + .5) / (fails + 1)
	}
	lost := w.lost
	if h := &f.hints[f.kind[b]]; f.kind[b] != unheard {
		// Where a drive loses the track, another is likely to do so, and hardly in
		// the blocks beside it that came or failed: the kind says more than the place.
		trust := min(.9, (h.fails+1)/(h.fails+11))
		lost += trust * ((h.lost+hintGuess[f.kind[b]]/2)/(h.fails+1) - lost)
	}
	p := &w.s.price
	return prospect{w.s.chance(w.ring, b), p.medium.of()*(1-lost) + p.lost.of()*lost}
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
		*x = expected{s.skill.chance(b, s.trusted(ring, b)), s.moment}
	}
	return x.chance
}

// trusted is what the model of the surface alone expects of it: where it is unlikely to
// come by that, corrected by what came of such blocks.
func (s *byPlace) trusted(ring int, b int64) float64 {
	loss := s.loss(ring, b)
	if loss > doubtful {
		loss = s.trust.loss(loss)
	}
	return math.Exp(-loss)
}

// loss is how much stands in its way by the model of the surface.
func (s *byPlace) loss(ring int, b int64) float64 {
	return min(s.field.loss(ring, b), surest)
}

// read takes a block for read.
func (w *walker) read() {
	if w.rung > 0 {
		if w.good++; w.good == climb {
			w.rung, w.good = w.rung-1, 0
		}
	}
}

// near is the failures around a ring, and the lost tracks among them.
func (f *field) near(ring int) (fails, lost float64) {
	const reach = 8
	for j := max(f.span[ring][0], ring-reach); j < min(f.span[ring][1], ring+reach+1); j++ {
		for _, x := range f.rings[j].fails {
			fails++
			if x.lost {
				lost++
			}
		}
	}
	return fails, lost
}
