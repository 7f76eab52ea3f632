package chart

import "math"

// thinnest is how high, in mm, a part of a cell is drawn at least: what is
// missing, and what is of another class. PNGs of few pixels raise it to a pixel.
const thinnest = 0.12

// wide is the share of a band from which on an area is hatched. Lines are too thin
// for it: hatches would beat against them, and show what is not there.
const wide = 0.9

// standing draws what is in the image and what is missing, on a layer.
func (d *dial) standing(l layerPicture, classes []class, thin float64) {
	g := l.grid
	ground := 0
	for c, n := range l.total.Sectors {
		if n > l.total.Sectors[ground] {
			ground = c
		}
	}
	paints := paintsOf(classes)
	stacks := make([]stack, g.bands)
	for b := range stacks {
		stacks[b] = g.stack(b, ground, classes, thin)
	}
	d.fill(paints[ground], d.grounds(g, stacks)...)
	for c := range classes {
		if c == ground {
			continue
		}
		var full, thin [][]point
		for b := range stacks {
			if s := &stacks[b]; s.has[c] {
				full = append(full, d.ribbons(s.outer[c], s.inner[c], func(h float64) bool { return h >= wide*(s.high-s.low) })...)
				thin = append(thin, d.ribbons(s.outer[c], s.inner[c], func(h float64) bool { return h < wide*(s.high-s.low) })...)
			}
		}
		d.fill(paints[c], full...)
		d.fill(paints[c].flat(), thin...)
	}
	radii := func(b int) (low, high float64) { return g.radii[b][0], g.radii[b][1] }
	mostly := func(kinds ...kind) func(b, j int) bool {
		return func(b, j int) bool {
			n := 0.0
			for c := range classes {
				for _, k := range kinds {
					if classes[c].kind == k {
						n += g.at(b, c)[j]
					}
				}
			}
			return n >= g.capacity[b]/2
		}
	}
	// In grey the tints are near to the disc's: the edge of what is written shows.
	d.stroke(hair, faint, d.borders(g.bands, g.angles, radii, mostly(won, notAsked, notSince, failed))...)
	d.dots(fine, ink, d.borders(g.bands, g.angles, radii, mostly(notAsked))...)
	d.stroke(fine, outline, d.borders(g.bands, g.angles, radii, mostly(notSince, failed))...)
}

// paintsOf is how the classes are drawn.
func paintsOf(classes []class) []paint {
	all := make([]paint, len(classes))
	for i, c := range classes {
		all[i] = paintOf(c, i)
	}
	return all
}

// stack is how the classes lie above each other in the cells of a band: radii in
// mm, by class and cell. Of the ground class nothing is given: it is what the
// others leave.
type stack struct {
	low, high    float64 // of the band
	top          []float64
	has          []bool // by class
	outer, inner [][]float64
}

// stack builds a band's. The missing lie at the outer edge. Where a grid has few
// cells, each becomes several, so that edges are round.
func (g *grid) stack(band, ground int, classes []class, thin float64) stack {
	low, high := g.radii[band][0], g.radii[band][1]
	each := (mostCells + g.angles - 1) / g.angles
	cells := each * g.angles
	s := stack{low, high, make([]float64, cells), make([]bool, len(classes)), make([][]float64, len(classes)), make([][]float64, len(classes))}
	height := high - low
	for c := range classes {
		s.outer[c], s.inner[c] = make([]float64, cells), make([]float64, cells)
	}
	heights := make([]float64, len(classes))
	for j := range cells {
		var all, others float64
		for c := range classes {
			n := g.at(band, c)[j/each]
			heights[c] = 0
			all += n
			if n == 0 || c == ground {
				continue
			}
			heights[c] = max(height*n/g.capacity[band], thin)
			if classes[c].kind == won { // nothing is lost where these are too thin to see
				heights[c] = max(height*n/g.capacity[band], thin/2)
			}
			others += heights[c]
			s.has[c] = true
		}
		total := height * min(1, all/g.capacity[band])
		if total > height-1e-4 {
			total = height
		}
		total = min(height, max(total, others))
		s.top[j] = low + total
		shrink := 1.0
		if others > total {
			shrink = total / others
		}
		at := s.top[j]
		for c := len(classes) - 1; c >= 0; c-- {
			s.outer[c][j] = at
			at -= heights[c] * shrink
			s.inner[c][j] = at
		}
	}
	return s
}

// grounds is the loops of all that is written; bands that are written all round
// become one.
func (d *dial) grounds(g *grid, stacks []stack) [][]point {
	var loops [][]point
	for b := 0; b < len(stacks); {
		if !stacks[b].full() {
			low := make([]float64, len(stacks[b].top))
			for j := range low {
				low[j] = stacks[b].low
			}
			loops = append(loops, d.ribbons(stacks[b].top, low, func(float64) bool { return true })...)
			b++
			continue
		}
		first := b
		for b < len(stacks) && stacks[b].full() {
			b++
		}
		loops = append(loops, circle(d.at, stacks[first].low), circle(d.at, stacks[b-1].high))
	}
	return loops
}

func (s *stack) full() bool {
	for _, t := range s.top {
		if t < s.high {
			return false
		}
	}
	return true
}

// ribbons is the loops of an area between two edges, given as radii by cell, where
// the outer lies above the inner by a height that is wanted. From cell to cell an
// edge goes straight; where the area ends, it ends with its cell.
func (d *dial) ribbons(outer, inner []float64, wanted func(height float64) bool) [][]point {
	n := len(outer)
	in := func(j int) bool {
		h := outer[(j+n)%n] - inner[(j+n)%n]
		return h > 1e-9 && wanted(h)
	}
	first := -1 // where a ribbon begins
	for j := range n {
		if in(j) && !in(j-1) {
			first = j
			break
		}
	}
	if first < 0 {
		if !in(0) {
			return nil
		}
		return [][]point{d.ring(outer), d.ring(inner)}
	}
	var loops [][]point
	for j := first; j < first+n; {
		if !in(j) {
			j++
			continue
		}
		k := j
		for k < first+n && in(k) {
			k++
		}
		loops = append(loops, d.ribbon(outer, inner, j, k))
		j = k
	}
	return loops
}

// ribbon is the loop over the cells from j up to and not including k.
func (d *dial) ribbon(outer, inner []float64, j, k int) []point {
	n := len(outer)
	loop := []point{d.p(outer[j%n], float64(j)/float64(n))}
	for i := j; i < k; i++ {
		if i == j || i == k-1 || bends(outer, i) {
			loop = append(loop, d.p(outer[i%n], (float64(i)+0.5)/float64(n)))
		}
	}
	loop = append(loop, d.p(outer[(k-1)%n], float64(k)/float64(n)), d.p(inner[(k-1)%n], float64(k)/float64(n)))
	for i := k - 1; i >= j; i-- {
		if i == j || i == k-1 || bends(inner, i) {
			loop = append(loop, d.p(inner[i%n], (float64(i)+0.5)/float64(n)))
		}
	}
	return append(loop, d.p(inner[j%n], float64(j)/float64(n)))
}

// ring is an edge that goes all the way round.
func (d *dial) ring(radii []float64) []point {
	var loop []point
	for i, r := range radii {
		if bends(radii, i) {
			loop = append(loop, d.p(r, (float64(i)+0.5)/float64(len(radii))))
		}
	}
	return loop
}

// bends tells whether an edge must have a point in cell i: where its radius
// changes, and often enough to stay round.
func bends(radii []float64, i int) bool {
	n := len(radii)
	a, b, c := radii[(i+n-1)%n], radii[i%n], radii[(i+1)%n]
	return i%2 == 0 || math.Abs(a-2*b+c) > unit/2
}
