package marks

import (
	"cmp"
	"math"
	"slices"
)

// How many blocks may fare otherwise than one strip has it, more than two strips leave,
// before two are taken: so many, and a share of those that the smaller one explains, or
// that what is cut does. Chosen by trial on simulated discs, like what is tried.
const (
	joinFree  = 1.0
	joinShare = .03
	joinRings = 50        // of a gap between two that are tried as one, at most
	joinAngle = 20. / 360 // turns between their middles, at most
	cutFree   = 8.0
	cutShare  = .03
	cutLeast  = 60 // blocks that one which is cut explains, at least
	cutRings  = 9  // and rings of it
	cuts      = 8  // even parts of it, between two of which it is cut
)

// whole makes whole marks of patches. Where two strips suit much better than one how the
// blocks fared, a patch is cut in two; patches that one strip suits as well are joined.
//
//	radius │ ▓▓▓▓▓▓▓▓▓▓              ▓▓▓▓                  ▓▓▓▓▓▓▓▓
//	       │ ▓▓▓▓▓▓▓▓▓▓             ▓▓▓▓               ▓▓▓▓▓▓▓▓▓
//	       │    ▓▓▓            ░░░░░░░░░░░░               ▓▓▓▓▓▓▓▓
//	       │    ▓▓▓               ▓▓▓▓                 ▓▓▓▓▓▓▓
//	       └───────────────────────────────────────────────────────── angle
//	         grown together:   one crosses another:    as its blocks happen to lie:
//	         cut in two        its parts joined        joined
func (g *grid) whole(found []patch, s *Sights) []patch {
	f := g.groundOf(found, s)
	var all []patch
	for i := range found {
		all = f.cut(found[i], nil, int32(i+1), all)
	}
	j := joining{ground: f, patches: all, strips: make([]*strip, len(all)), within: make([]int32, len(all)+1)}
	if len(all) > len(found) {
		j.ground = g.groundOf(all, s)
	}
	return j.all()
}

// cut adds a patch, or what it is cut into, to others. Its strip is given if it is known.
func (f *ground) cut(p patch, whole *strip, stops int32, all []patch) []patch {
	rough := stripOf(p.runs)
	if p.fresh || rough.last-rough.first+1 < cutRings || len(p.owns) < cutLeast {
		return append(all, p)
	}
	own := func(by int32) bool { return by == stops }
	if whole == nil {
		fitted := f.fit(rough, own)
		whole = &fitted
	}
	least := whole.wrong - cutFree - cutShare*float64(len(p.owns))
	var halves [2]patch
	var strips [2]strip
	slices.SortStableFunc(p.runs, func(a, b run) int { return cmp.Compare(a.ring, b.ring) })
	for i := 1; i < cuts && least > 0; i++ {
		ring := rough.first + (rough.last-rough.first+1)*i/cuts
		run := slices.IndexFunc(p.runs, func(r run) bool { return r.ring >= ring })
		block := slices.IndexFunc(p.owns, func(k int) bool { return int(f.turns[k]/ringTurns) >= ring })
		if run <= 0 || block < leastBlocks || len(p.owns)-block < leastBlocks {
			continue
		}
		a, b := f.fit(stripOf(p.runs[:run]), own), f.fit(stripOf(p.runs[run:]), own)
		if a.wrong+b.wrong < least {
			least = a.wrong + b.wrong
			halves = [2]patch{
				{runs: p.runs[:run:run], owns: p.owns[:block:block]},
				{runs: p.runs[run:], owns: p.owns[block:]},
			}
			strips = [2]strip{a, b}
		}
	}
	if halves[0].runs == nil {
		return append(all, p)
	}
	all = f.cut(halves[0], &strips[0], stops, all)
	return f.cut(halves[1], &strips[1], stops, all)
}

// joining is patches, of which some become parts of others.
type joining struct {
	*ground
	patches []patch
	strips  []*strip // of patches; nil where it is not fitted yet
	within  []int32  // by what stops a block: the patch that it has become part of, and 1; 0: none
}

// all joins what is to be joined, the patches that explain most first.
func (j *joining) all() []patch {
	order := make([]int, len(j.patches))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(len(j.patches[b].owns), len(j.patches[a].owns)) })
	for n, i := range order {
		if p := &j.patches[i]; j.within[i+1] == 0 && !p.fresh {
			for refused := make(map[int]bool); j.grow(i, order[n+1:], refused); {
				p.strip = j.strips[i]
			}
			if p.strip != nil {
				p.runs = p.strip.over(p.runs, j.burst(p.owns[0]))
			}
		}
	}
	var out []patch
	for i, p := range j.patches {
		if j.within[i+1] == 0 {
			out = append(out, p)
		}
	}
	return out
}

// grow joins to a patch the one of some others that suits it best, if there is one. Those
// that don't are refused, and not tried again.
func (j *joining) grow(i int, others []int, refused map[int]bool) bool {
	p, best, at, most := j.strip(i), strip{}, -1, 0.0
	for _, k := range others {
		if j.within[k+1] != 0 || j.patches[k].fresh || refused[k] {
			continue
		}
		o := j.strip(k)
		gap := max(o.first-p.last, p.first-o.last)
		if gap > min(joinRings, max(3, p.last-p.first, o.last-o.first)) || math.Abs(math.Remainder(p.middle()-o.middle(), 1)) > joinAngle {
			continue
		}
		both := slices.Concat(j.patches[i].runs, j.patches[k].runs)
		one := j.fit(stripOf(both), func(by int32) bool { return j.is(by, i) || j.is(by, k) })
		if n := p.wrong + o.wrong + joinFree + joinShare*float64(len(j.patches[k].owns)) - one.wrong; n > most && one.wide() > 0 {
			best, at, most = one, k, n
		} else if n <= 0 || one.wide() <= 0 {
			refused[k] = true
		}
	}
	if at < 0 {
		return false
	}
	a, b := &j.patches[i], &j.patches[at]
	a.runs, a.owns = append(slices.Clip(a.runs), b.runs...), append(slices.Clip(a.owns), b.owns...)
	slices.Sort(a.owns)
	j.within[at+1] = int32(i + 1)
	j.strips[i] = &best
	return true
}

// is tells whether what stops a block is a patch, or has become part of it.
func (j *joining) is(by int32, i int) bool {
	return by == int32(i+1) || by > 0 && j.within[by] == int32(i+1)
}

// strip is a patch's strip.
func (j *joining) strip(i int) *strip {
	if j.strips[i] == nil {
		p := j.fit(stripOf(j.patches[i].runs), func(by int32) bool { return j.is(by, i) })
		j.strips[i] = &p
	}
	return j.strips[i]
}
