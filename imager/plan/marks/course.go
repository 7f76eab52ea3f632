package marks

import (
	"cmp"
	"math"
	"slices"
)

// course is the runs of a mark, ring by ring, as far as both its edges go on without a
// jump. Where one mark begins to lie beside another, within the length of a block, no
// block came between them, and the two look like one: their edges jump there.
//
//	radius │    ┌────┐
//	       │    │ B  │            B alone
//	       │ ┌──┴────┤
//	       │ │ A and B│           joint: from A's edge to B's
//	       │ ├───┬────┘
//	       │ │ A │                A alone
//	       └─────────────── angle
type course struct {
	runs     []run
	from, to float64 // edges, in cells, smoothed; once all is seen, in the mean
}

const (
	jump    = 14 // cells, by which an edge may move at once
	skipped = 3  // rings, in which a course may be lost
)

// courses are the courses of all runs of cells that are stopped by a rule, the joint
// ones told apart.
func (g *grid) courses(by rule) [][]run {
	var all, open []*course
	for ring := range g.rings {
		kept := open[:0]
		for _, c := range open {
			if c.last().ring >= ring-skipped {
				kept = append(kept, c)
			}
		}
		open = kept
		for _, r := range g.runs(ring, by) {
			var best *course
			least := math.Inf(1)
			for _, c := range open {
				a, b := c.off(r)
				if d := max(a, b); d <= jump && d < least && c.last().ring < ring {
					best, least = c, d
				}
			}
			if best == nil {
				best = &course{from: float64(r.from), to: float64(r.to)}
				all, open = append(all, best), append(open, best)
			}
			best.take(r)
		}
	}
	out := make([][]run, 0, len(all))
	for _, c := range all {
		c.from, c.to = c.edges()
	}
	for i, c := range all {
		if a, b := c.parts(all, i); a != nil {
			a.over(c)
			b.over(c)
			c.runs = nil
		}
	}
	for _, c := range all {
		if len(c.runs) > 0 {
			out = append(out, trimmed(c.runs))
		}
	}
	return out
}

func (c *course) last() run { return c.runs[len(c.runs)-1] }

// off is how far a run's edges are off the course's, in cells.
func (c *course) off(r run) (from, to float64) {
	return apart(c.from, float64(r.from)), apart(c.to, float64(r.to))
}

// apart is the distance of two angles, in cells.
func apart(a, b float64) float64 { return math.Abs(math.Remainder(a-b, angles)) }

// take adds a run.
func (c *course) take(r run) {
	c.from += .4 * math.Remainder(float64(r.from)-c.from, angles)
	c.to += .4 * math.Remainder(float64(r.to)-c.to, angles)
	c.runs = append(c.runs, r)
}

// parts are two courses beside a joint one of which it has an edge each; nil where it
// is not joint.
func (c *course) parts(all []*course, own int) (a, b *course) {
	first, last := c.runs[0].ring, c.last().ring
	from, to := c.from, c.to
	for i, o := range all {
		if i == own || len(o.runs) < 3 || o.last().ring < first-2*skipped || o.runs[0].ring > last+2*skipped {
			continue
		}
		f, t := o.from, o.to
		switch nearFrom, nearTo := apart(f, from) <= jump, apart(t, to) <= jump; {
		case nearFrom && !nearTo && within(t, from, to) && (a == nil || len(o.runs) > len(a.runs)):
			a = o
		case nearTo && !nearFrom && within(f, from, to) && (b == nil || len(o.runs) > len(b.runs)):
			b = o
		}
	}
	if a == nil || b == nil {
		return nil, nil
	}
	return a, b
}

// within tells whether an angle lies between two others, in cells.
func within(x, from, to float64) bool {
	wrap := func(v float64) float64 { return v - angles*math.Floor(v/angles) }
	return wrap(x-from) < wrap(to-from)
}

// edges are the course's edges in the mean.
func (c *course) edges() (from, to float64) {
	r0 := c.runs[0]
	n := float64(len(c.runs))
	for _, r := range c.runs {
		from += math.Remainder(float64(r.from-r0.from), angles) / n
		to += math.Remainder(float64(r.to-r0.to), angles) / n
	}
	return from + float64(r0.from), to + float64(r0.to)
}

// over lets a course go on over the rings of a joint one, with its own edges.
func (c *course) over(joint *course) {
	from, to := c.from, c.to
	width := to - from
	width -= angles * math.Floor(width/angles)
	first := int(math.Round(from))
	first = (first%angles + angles) % angles
	for _, r := range joint.runs {
		c.runs = append(c.runs, run{r.ring, first, first + int(math.Round(width))})
	}
}

// trimmed are the runs with the edges that the rings around them show: in a ring the
// blocks that came end by chance up to some degrees before a mark, so of neighbouring
// rings the innermost edge is the truest.
func trimmed(runs []run) []run {
	slices.SortStableFunc(runs, func(a, b run) int { return cmp.Compare(a.ring, b.ring) })
	out := slices.Clone(runs)
	for i, r := range runs {
		from, to := 0, r.to-r.from // from the run's own edge on
		for j := max(0, i-around); j < min(len(runs), i+around+1); j++ {
			o := runs[j]
			if d := o.ring - r.ring; d < -around || d > around {
				continue
			}
			off := int(math.Remainder(float64(o.from-r.from), angles))
			from, to = max(from, off), min(to, off+o.to-o.from)
		}
		if to <= from {
			mid := (from + to) / 2
			from, to = mid, mid+1
		}
		out[i].from, out[i].to = r.from+from, r.from+to
	}
	return out
}

const around = 3 // rings
