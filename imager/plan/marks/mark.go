package marks

import (
	"math"
	"slices"
)

// Kind is what a mark looks like.
type Kind string

const (
	Scratch Kind = "scratch"     // long and narrow
	Arc     Kind = "arc"         // along the track
	Blot    Kind = "blot"        // as wide as long
	Hazy    Kind = "hazy region" // wide, with many that come and many that fail
)

// Mark is a place on the surface that stops the reading.
type Mark struct {
	Kind         Kind
	Inner, Outer float64 // mm
	From, To     float64 // turns, as the disc was calibrated; To may pass 1; 0 to 1 is all round
	Middle       Place
	Ends         [2]Place // of its longest way
	Length, Wide float64  // mm, along that and across
	Costs        int64    // sectors that are missing because of it
	News         News     // against the round before
	blocks       []int    // of the disc, that it explains
	fresh        bool     // it was not there in earlier rounds
}

// Place is a radius in mm and an angle in turns.
type Place struct{ Radius, Angle float64 }

// News is how a mark fares against the round before.
type News string

const (
	Unknown News = ""
	Same    News = "as before"
	Shrunk  News = "shrunk"
	New     News = "new"
	Gone    News = "gone"
)

// Found is what was found on a layer.
type Found struct {
	Marks   []Mark
	Missing int64   // sectors of the layer that failed
	Rest    int64   // of them, those that no mark explains
	rest    []int32 // the same, by block of the layer
}

// Find finds the marks of a layer, the costliest first, by how the disc stood.
func (d *Disc) Find(layer int, s *Sights) Found {
	l := &d.layers[layer]
	var f Found
	for k := range l.blocks {
		if b := l.first + k; b < len(s.state) && s.state[b] == failed {
			f.Missing += s.missing(b)
		}
	}
	f.Rest = f.Missing
	f.rest = make([]int32, l.blocks)
	if !l.known || l.first+l.blocks > len(s.state) {
		for k := range l.blocks {
			if b := l.first + k; b < len(s.state) && s.state[b] == failed {
				f.rest[k] = int32(s.missing(b))
			}
		}
		return f
	}
	g := gridOf(&l.leg, s, bursts[d.kind])
	patches, rest := g.find(s)
	patches, more := g.shed(g.whole(patches, s))
	rest = append(rest, more...)
	slices.Sort(rest)
	for _, p := range patches {
		m := g.markOf(p, s)
		f.Marks = append(f.Marks, m)
		f.Rest -= m.Costs
	}
	for _, k := range rest {
		f.rest[k] = int32(s.missing(l.first + k))
	}
	for _, m := range g.hazy(rest, s) {
		for _, b := range m.blocks {
			f.rest[b-l.first] = 0
		}
		f.Marks = append(f.Marks, m)
		f.Rest -= m.Costs
	}
	sortByCost(f.Marks)
	return f
}

// What a mark is taken for, by its size in mm.
const (
	longLeast   = 5.0 // of a scratch
	narrow      = 0.3 // of its length, at most, across
	arcTurns    = 0.1 // of an arc, at least
	arcFlatness = 8   // times as long as its extent in radius
	hazyArea    = 40  // mm² of what is neither long nor narrow
)

func (g *grid) markOf(p patch, s *Sights) Mark {
	x := g.shapeOf(p.runs, p.strip)
	m := Mark{
		Inner: x.inner, Outer: x.outer, From: x.from, To: x.to, Middle: x.middle, Length: x.length, Wide: x.wide,
		Ends: x.ends, fresh: p.fresh,
	}
	along := (x.to - x.from) * 2 * math.Pi * x.middle.Radius
	switch {
	case x.to-x.from >= arcTurns && along >= arcFlatness*(x.outer-x.inner):
		m.Kind = Arc
	case x.length >= longLeast && x.wide <= narrow*x.length:
		m.Kind = Scratch
	case x.area >= hazyArea:
		m.Kind = Hazy
	default:
		m.Kind = Blot
	}
	for _, k := range p.owns {
		m.blocks = append(m.blocks, g.leg.first+k)
		m.Costs += s.missing(g.leg.first + k)
	}
	return m
}

// Blocks are the ECC blocks of the disc that the mark explains, in order.
func (m *Mark) Blocks() []int { return m.blocks }
