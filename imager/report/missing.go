package report

import (
	"iter"
	"maps"
	"math"
	"slices"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// holesOf is every missing sector of the written area, once, in order of address; and
// the set of those that could not be read.
//
//	missing ──last pass first: what it asked for in vain──> kind, pass, attempts
//	   └─ what no pass asked for in vain ──> never asked for
func holesOf(m *mapfile.Map) (holes []Hole, failed sector.Set) {
	last := len(m.Rounds()) - 1
	passes := m.Passes()
	left := missingOf(m)
	for n := len(passes) - 1; n >= 0 && !left.Empty(); n-- {
		if passes[n].Drive < 0 {
			continue // it took over what is good elsewhere, and asked no drive
		}
		state := NotSince
		if passes[n].Round == last {
			state = CouldNot
		}
		var taken []sector.Range
		for run := range m.Runs(n) {
			if run.Result.Came() {
				continue
			}
			for part := range left.In(run.Range) {
				taken = append(taken, part)
				holes = append(holes, Hole{Sectors: part, State: state, Kind: run.Result.String(), Pass: n, Attempts: int(run.Attempts)})
			}
		}
		set := sector.Of(taken...)
		if state == CouldNot {
			failed = failed.Union(&set)
		}
		left = left.Subtract(&set)
	}
	for r := range left.Runs() {
		holes = append(holes, Hole{Sectors: r, State: NotAsked, Pass: -1})
	}
	slices.SortFunc(holes, func(a, b Hole) int { return int(a.Sectors.First - b.Sectors.First) })
	if radius := imager.RadiiOf(m.Disc()); radius != nil {
		for i := range holes {
			holes[i].lie(radius)
		}
	}
	return holes, failed
}

// lie fills in where the run lies. On a disc of two layers it may lead out and in again.
func (h *Hole) lie(radius func(sector.LBA) float64) {
	h.FromMM = radius(h.Sectors.First)
	h.ToMM = h.FromMM
	see := func(mm float64) { h.FromMM, h.ToMM = min(h.FromMM, mm), max(h.ToMM, mm) }
	see(radius(h.Sectors.End - 1))
	for part := range steps(h.Sectors, short) {
		see(radius(part.First))
	}
}

// short is so many sectors that they lie close together on any disc: within a fifth of a
// millimetre of radius.
const short = 1024

// steps is a run, cut at the multiples of so many sectors.
func steps(r sector.Range, of sector.LBA) iter.Seq[sector.Range] {
	return func(yield func(sector.Range) bool) {
		for r.First < r.End {
			part := sector.Range{First: r.First, End: min(r.End, (r.First/of+1)*of)}
			if !yield(part) {
				return
			}
			r.First = part.End
		}
	}
}

// missingOf is what of the written area is not good.
func missingOf(m *mapfile.Map) sector.Set {
	var set sector.Set
	for r := range imager.Missing(m) {
		set.Add(r)
	}
	return set
}

// standingOf counts where the sectors are.
func standingOf(m *mapfile.Map, holes []Hole) Standing {
	d, disputed := m.Disc(), m.InConflict()
	s := Standing{Written: d.Written.Count(), Good: m.Count(mapfile.Good), Conflicts: disputed.Count()}
	for _, h := range holes {
		*map[string]*int64{CouldNot: &s.Failed, NotSince: &s.NotSince, NotAsked: &s.NotAsked}[h.State] += h.Sectors.Count()
	}
	return s
}

// Place is the missing sectors of one part of the disc: a millimetre of radius or, where
// nothing is known of the geometry, a fortieth of the addresses.
type Place struct {
	Radius   bool
	From, To float64 // mm, or sectors
	Kinds    []int64 // sectors, by the kinds of Places
	NotTried int64
}

// Places is what is missing by place and kind, and the kinds.
func (r *Report) Places() (places []Place, kinds []string) {
	for _, h := range r.Missing {
		if h.State == CouldNot && !slices.Contains(kinds, h.Kind) {
			kinds = append(kinds, h.Kind)
		}
	}
	slices.Sort(kinds)
	of, step := r.placing()
	at := map[float64]*Place{} // by From
	for _, h := range r.Missing {
		for part := range steps(h.Sectors, step) {
			where := of(part.First)
			p := at[where.From]
			if p == nil {
				where.Kinds = make([]int64, len(kinds))
				p = &where
				at[where.From] = p
			}
			if h.State == CouldNot {
				p.Kinds[slices.Index(kinds, h.Kind)] += part.Count()
			} else {
				p.NotTried += part.Count()
			}
		}
	}
	for _, from := range slices.Sorted(maps.Keys(at)) {
		places = append(places, *at[from])
	}
	return places, kinds
}

// placing tells in which place a sector lies, and those behind it up to the next multiple
// of step.
func (r *Report) placing() (_ func(a sector.LBA) Place, step sector.LBA) {
	if radius := imager.RadiiOf(r.m.Disc()); radius != nil {
		return func(a sector.LBA) Place {
			mm := math.Floor(radius(a))
			return Place{Radius: true, From: mm, To: mm + 1}
		}, short
	}
	const parts = 40
	width := max(1, (r.Disc.Sectors+parts-1)/parts)
	return func(a sector.LBA) Place {
		from := int64(a) / width * width
		return Place{From: float64(from), To: float64(min(from+width, r.Disc.Sectors))}
	}, sector.LBA(width)
}
