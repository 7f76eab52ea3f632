package chart

import (
	"fmt"
	"strings"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// kind is what becomes of a sector, as people read it.
type kind uint8

const (
	won      kind = iota // good, by the round that won it
	notAsked             // missing; never asked for
	notSince             // missing; it failed before, not asked since the last treatment
	failed               // missing; it failed on this surface
)

// class is one kind of sectors, told apart in the pictures.
type class struct {
	kind        kind
	first, last int // rounds, of a class that was won
	words       string
}

// mostTints is how many classes of won sectors are told apart: tints and hatches
// can't be told apart beyond that.
const mostTints = 8

// standing is how a case stood after a round: the sectors of each class, within
// the written area.
type standing struct {
	classes []class
	sets    []sector.Set // by class, disjoint, together the written area
}

// standingAfter is how the case stood after a round, with the passes up to it. Of
// sectors that were found rotten in the image, only the last round knows.
func standingAfter(m *mapfile.Map, round int, passes []passStrip) standing {
	rounds := m.Rounds()
	var s standing
	s.classes = wonClasses(rounds, round)
	s.sets = make([]sector.Set, len(s.classes), len(s.classes)+3)
	written := m.Disc().Written
	whole := written.Len() == 1
	of := make([]int, round+1) // class by round
	for i, c := range s.classes {
		for r := c.first; r <= c.last; r++ {
			of[r] = i
		}
	}
	var good sector.Set
	here, before := failedIn(passes, round)
	for _, p := range passes {
		if p.set.Empty() {
			continue
		}
		set := p.set
		if !whole || !written.Covers(set.Bounds()) {
			set = set.Intersect(&written)
		}
		good = union(good, set)
		own := &s.sets[of[p.round]]
		*own = union(*own, set)
	}
	missing := written.Subtract(&good)
	var bad sector.Set
	if round == len(rounds)-1 {
		bad = m.In(mapfile.Bad)
	} else {
		asked := here.Union(&before)
		bad = missing.Intersect(&asked)
	}
	on := bad.Intersect(&here)
	s.add(class{kind: notAsked, words: "not asked yet"}, missing.Subtract(&bad))
	s.add(class{kind: notSince, words: "missing, not asked since the last treatment"}, bad.Subtract(&on))
	s.add(class{kind: failed, words: "missing, failed on this surface"}, on)
	return s
}

func (s *standing) add(c class, set sector.Set) {
	s.classes = append(s.classes, c)
	s.sets = append(s.sets, set)
}

// wonClasses are the classes of good sectors after a round. Where there are more
// rounds than tints, those between the first and the latest become one.
func wonClasses(rounds []mapfile.Round, round int) []class {
	var all []class
	lumped := round + 1 - mostTints // rounds that can't have a class of their own
	for r := 0; r <= round; r++ {
		c := class{kind: won, first: r, last: r, words: "good, won by " + roundInWords(rounds, r)}
		if r == 1 && lumped > 0 {
			c.last = 1 + lumped
			c.words = fmt.Sprintf("good, won by rounds 1 to %d", c.last)
			r = c.last
		}
		all = append(all, c)
	}
	return all
}

// roundInWords names a round by what opened it.
func roundInWords(rounds []mapfile.Round, n int) string {
	if n == 0 {
		return "round 0, the disc as it came in"
	}
	var typed []string
	for _, t := range rounds[n].Treatments {
		typed = append(typed, t.Typed)
	}
	if len(typed) == 0 {
		return fmt.Sprintf("round %d, no treatment noted", n)
	}
	return fmt.Sprintf("round %d, %s", n, strings.Join(typed, "; "))
}

// failedIn is what drives were asked for and did not give, whether it came later
// or not: in a round, and in the rounds before it.
func failedIn(passes []passStrip, round int) (here, before sector.Set) {
	for _, p := range passes {
		if p.round == round {
			here = union(here, p.failed)
		} else {
			before = union(before, p.failed)
		}
	}
	return here, before
}

// union is the union of two sets that nothing changes: of an empty one and another it is
// the other itself.
func union(a, b sector.Set) sector.Set {
	switch {
	case a.Empty():
		return b
	case b.Empty():
		return a
	}
	return a.Union(&b)
}
