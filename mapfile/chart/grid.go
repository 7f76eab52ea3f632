package chart

import (
	"math"
	"sort"

	"turnstone/device/sector"
)

// The cells of the pictures.
const (
	bandWidth = 0.5 // mm
	mostCells = 240 // cells of a turn
	leastTurn = 8   // cells of a turn below which angles are not shown
)

// grid is a layer's sectors by band of radius, class and angle.
type grid struct {
	inner, step float64 // bands, in mm
	bands       int
	angles      int // cells of a turn; 1: angles are not known
	classes     int

	radii    [][2]float64 // by band, where the track covers it
	capacity []float64    // sectors of one cell, by band
	sectors  []float64    // by band, class and cell
}

// at is the sectors of a class in the cells of a band.
func (g *grid) at(band, class int) []float64 {
	i := (band*g.classes + class) * g.angles
	return g.sectors[i : i+g.angles]
}

// anglesFor is how many cells of a turn a layer's angles are good for: cells are
// at least as wide as the doubt to both sides.
func anglesFor(doubt float64) int {
	if doubt <= 0 {
		return mostCells
	}
	n := int(math.Floor(1 / (2 * doubt)))
	if n < leastTurn {
		return 1
	}
	return min(n, mostCells)
}

// reduce counts the sectors of a standing in a layer's cells.
func (s *standing) reduce(l Layer) *grid {
	in, out := l.radii()
	g := &grid{inner: in, step: bandWidth, classes: len(s.classes), angles: anglesFor(l.Doubt)}
	g.bands = max(1, int(math.Ceil((out-in)/bandWidth-1e-6)))
	g.radii, g.capacity = make([][2]float64, g.bands), make([]float64, g.bands)
	g.sectors = make([]float64, g.bands*g.classes*g.angles)
	parts := l.parts(in, bandWidth, g.bands)
	for _, p := range parts {
		low := in + float64(p.band)*bandWidth
		g.radii[p.band] = [2]float64{low, min(low+bandWidth, out)}
		g.capacity[p.band] += (p.to - p.from) / float64(g.angles)
	}
	w := wheel{
		edge: make([]float64, g.angles), slope: make([]float64, g.angles+1), layer: l, parts: parts,
	}
	for c := range s.sets {
		w.spread(&s.sets[c], func(band int, cells []float64) { copy(g.at(band, c), cells) })
	}
	return g
}

// wheel spreads runs of sectors over the cells of one band after the other.
type wheel struct {
	layer Layer
	parts []part

	even  float64   // sectors in each cell, of whole turns
	edge  []float64 // sectors by cell, of cells that runs end in
	slope []float64 // sectors by cell, as changes from cell to cell
	dirty bool
}

// nothing is a number of sectors that rounding may leave where there are none: a
// single sector puts far more into the cells that it touches.
const nothing = 1e-6

// spread calls done for each band in which the set has sectors of the layer.
func (w *wheel) spread(set *sector.Set, done func(band int, cells []float64)) {
	r := w.layer.Track.Layer(w.layer.Index)
	i := 0
	for run := range set.In(r) {
		if w.parts[i].to <= float64(run.First) {
			w.flush(w.parts[i].band, done)
			i += sort.Search(len(w.parts)-i, func(k int) bool { return w.parts[i+k].to > float64(run.First) })
		}
		for {
			p := &w.parts[i]
			from, to := max(p.from, float64(run.First)), min(p.to, float64(run.End))
			if from < to {
				w.add(w.turn(p, from), w.turn(p, to), to-from)
			}
			if to < p.to || i == len(w.parts)-1 || to == float64(run.End) {
				break
			}
			w.flush(p.band, done)
			i++
		}
	}
	w.flush(w.parts[i].band, done)
}

// turn is the turn at a position within a part, its end included.
func (w *wheel) turn(p *part, position float64) float64 {
	switch position {
	case p.from:
		return p.turn
	case p.to:
		return p.end
	}
	return w.layer.Track.At(position).Turn + w.layer.Turn
}

// add spreads n sectors evenly over the turns between two.
func (w *wheel) add(from, to, n float64) {
	w.dirty = true
	cells := float64(len(w.edge))
	if !(to > from) {
		w.edge[int(fraction(from)*cells)] += n
		return
	}
	density := n / (to - from) / cells // sectors of one cell
	whole := math.Floor(to - from)
	w.even += whole * density
	x := fraction(from) * cells
	y := x + (to-from-whole)*cells
	i, j := int(x), int(y)
	if i == j {
		w.put(i, (y-x)*density)
		return
	}
	w.put(i, (float64(i+1)-x)*density)
	w.put(j, (y-float64(j))*density)
	// The cells between are whole; they may pass the end of the turn.
	i++
	if wrap := len(w.edge); j > wrap {
		w.ramp(i, wrap, density)
		w.ramp(0, j-wrap, density)
	} else {
		w.ramp(i, j, density)
	}
}

func (w *wheel) put(cell int, n float64) { w.edge[cell%len(w.edge)] += n }

// ramp adds n to the cells from i up to and not including j.
func (w *wheel) ramp(i, j int, n float64) {
	if i < j {
		w.slope[i] += n
		w.slope[j] -= n
	}
}

// flush hands out the band's cells and begins anew.
func (w *wheel) flush(band int, done func(band int, cells []float64)) {
	if !w.dirty {
		return
	}
	sum := w.even
	for i := range w.edge {
		sum += w.slope[i]
		w.edge[i] += sum
		if w.edge[i] < nothing {
			w.edge[i] = 0
		}
	}
	done(band, w.edge)
	clear(w.edge)
	clear(w.slope)
	w.even, w.dirty = 0, false
}
