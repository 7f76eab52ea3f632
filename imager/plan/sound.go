package plan

import "slices"

// soundings are looks into places that were not read yet, ahead of the reading.
// What stands in the way of a block is known once a few turns near it were read,
// since marks keep to their angle over hundreds of turns:
//
//	turns   ▓▓░░░░░░▓▓░░░░░░▓▓░░░░░░▓▓     ▓ ten turns, every block that may come
//	        ▓▓░░▓▓░░▓▓░░▓▓░░▓▓░░░░░░▓▓     half as far apart where marks were met
//
// They cost turns at a speed at which failures have left the drive, and more
// failures; but these cost no more speed, and what then is sure is read at full
// speed from end to end. Without them a badly damaged disc is read at the least
// speed throughout, a mark after the other being met by a failure too many.
type soundings struct {
	begun, over bool
	level       int
	rings       []int // to look into, in the order of looking
	done        []bool
	vain        []bool // by ring: a look brought nothing
	at          int    // ring of the look in hand
	first, end  int64  // its blocks
}

// soundEvery is how many rings a look stands for, one level after the other:
// 768, 384 and 192 turns, up to about as far as marks of half a millimetre keep
// to their angle and breadth.
var soundEvery = [...]int{24, 12, 6}

const (
	soundTurns   = 10  // of a look: some 30 blocks, which begin at as many angles
	soundBelow   = .2  // of the blocks a second at full speed: what less is expected than, before a look is worth more
	soundWorth   = 1   // blocks a second: the price of a failure in a look
	soundRetries = 3   // of a look: a marginal block is not to be taken for a dead one
	soundShare   = .15 // of a pass's blocks: where fewer are expected to come yet, looks cost more than they win
	soundKnown   = 20  // blocks seen in a ring that make a look needless
)

// sound takes the next blocks of a look in hand. False is returned where there is
// no look to take, or what was learnt should be gone by first.
func (s *byPlace) sound() bool {
	c := &s.soundings
	if s.hoped < soundShare*float64(s.all) {
		c.over = true
		return false
	}
	if !c.begun {
		c.begun = true
		c.done, c.vain, c.at = make([]bool, len(s.field.rings)), make([]bool, len(s.field.rings)), -1
		s.spread()
	}
	for {
		if s.gatherLook() {
			return true
		}
		s.lookedAt()
		if len(c.rings) == 0 {
			if c.level++; c.level < len(soundEvery) {
				s.spread()
			} else {
				c.over = true
			}
			s.refresh()
			return false
		}
		i := c.rings[0]
		c.rings = c.rings[1:]
		if s.amongVain(i) {
			c.vain[i] = true
			continue
		}
		// Not at even distances, which would hide a period of the disc's: multiplied
		// by 2^32 over the golden ratio.
		r, end := &s.field.rings[i], s.field.rings[i+1].first
		n := int64(soundTurns*bins/r.width + .5)
		c.at = i
		c.first = r.first + int64(uint32(i)*2654435769>>16)%max(1, end-r.first-n)
		c.end = min(c.first+n, end)
	}
}

// lookedAt says what became of the look in hand. After one that brought nothing the
// looks go on half of what is left farther on: where a whole part of a disc is dead, its
// end is soon found by halves.
//
//	dead ▓ ▓ · · · ▓ · · · · · · · ▓ · · ▓ ▓ ▓ ▓ ▓ ▓ ▓ ▓ good     ▓ looks, · none needed
func (s *byPlace) lookedAt() {
	c := &s.soundings
	if c.at < 0 {
		return
	}
	if seen, bad := s.ownIn(c.at, c.at+1); seen > 0 && bad == seen {
		c.vain[c.at] = true
		n := len(c.rings) / 2
		c.rings = slices.Concat(c.rings[n:], c.rings[:n])
	}
	c.at = -1
}

// amongVain tells whether the nearest looks on both sides of a ring brought nothing.
func (s *byPlace) amongVain(i int) bool {
	c, span := &s.soundings, s.field.span[i]
	for _, step := range [...]int{-1, 1} {
		j := i + step
		for j >= span[0] && j < span[1] && (!c.done[j] || slices.Contains(c.rings, j)) {
			j += step
		}
		if j < span[0] || j >= span[1] || !c.vain[j] {
			return false
		}
	}
	return true
}

// gatherLook lists what is to be asked for of the look in hand; what failed of it
// has taught which of the rest to leave.
func (s *byPlace) gatherLook() bool {
	c := &s.soundings
	s.run = s.run[:0]
	w := s.walker(0)
	for b := c.first; b < c.end; b++ {
		if s.state[b] != open || s.single[b] {
			continue
		}
		x := w.look(b)
		if p := x.chance; p >= soundWorth*x.cost*(1-p) {
			s.run = append(s.run, b)
		}
	}
	s.retries, s.why, s.sweeping = s.first(soundRetries), whySound, false
	if !s.effort.pays() {
		s.retries = s.tries.Least
	}
	return len(s.run) > 0
}

// spread lists the rings to look into at the level in hand: all of the first
// level, from then on those in whose neighbourhood something failed. Where angles
// mean nothing there is none.
func (s *byPlace) spread() {
	c, f := &s.soundings, s.field
	every := soundEvery[c.level]
	for i := range len(f.rings) - 1 {
		if f.rings[i].leg.wide || (i-f.span[i][0])%every != every/2 || c.done[i] {
			continue
		}
		if seen, _ := s.ownIn(i, i+1); seen > soundKnown {
			continue
		}
		if seen, bad := s.ownIn(max(f.span[i][0], i-every), min(f.span[i][1], i+every)); c.level > 0 && bad == 0 && seen > 2*soundKnown {
			continue
		}
		c.done[i] = true
		c.rings = append(c.rings, i)
	}
	if n := len(c.rings); n > 0 && s.head > (f.rings[c.rings[0]].first+f.rings[c.rings[n-1]].first)/2 {
		slices.Reverse(c.rings)
	}
}

// ownIn is how many blocks between two rings this round and drive were asked for,
// and how many of them failed.
func (s *byPlace) ownIn(from, to int) (seen, bad int) {
	for b := s.field.rings[from].first; b < s.field.rings[to].first; b++ {
		if s.own[b] {
			seen++
			if s.saw[b] == sawBad {
				bad++
			}
		}
	}
	return seen, bad
}

// Many sure blocks are worth being read at full speed.
const (
	sureLoss = .02  // greatest loss of a sure block
	sureMany = 1500 // blocks: a little more than the way back to full speed takes
	// dearest is the most that a block's time may be worth then, as a share of what
	// full speed brings: what is passed over costs most of a turn to come back to.
	dearest = .3
)

// countSure counts the open blocks that are sure to come, and those expected to.
func (s *byPlace) countSure() {
	s.sure, s.hoped, s.standing = 0, 0, standing{}
	w := s.walker(0)
	for b, st := range s.state {
		if st != open {
			continue
		}
		x := w.look(int64(b))
		chance := x.chance
		s.hoped += chance
		s.standing.add(chance, s.full(w.ring)+(1-chance)*x.cost)
		if chance > 1-sureLoss {
			s.sure++
		}
	}
	s.standing.sum()
}

// careful tells whether the drive should be kept at speed.
func (s *byPlace) careful() bool { return s.sure > sureMany }

// debtShare is the share of the slow-down's cost that a failure is charged with.
func (s *byPlace) debtShare(rung int) float64 {
	if s.careful() {
		return 1
	}
	return debtShares[rung]
}
