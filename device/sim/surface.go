package sim

import (
	"fmt"
	"math"
)

// spot is a place on the disc's plane, in mm and turns.
type spot struct {
	x, y  float64
	r     float64
	angle float64 // in turns, from 0 up to 1
}

// surface is the marks of a disc, indexed by place: the plane lies in squares,
// and each lists the pieces that a beam within it can touch.
//
//	−reach … reach, in squares of 1 mm
//	┌─┬─┬─┬─┐
//	├─┼─╲─┼─┤   first[i] … first[i+1]: the entries of square i
//	├─┼─┼╲┼─┤   entries: numbers of pieces, those of one mark together
//	└─┴─┴─┴─┘
type surface struct {
	marks   []light
	pieces  []piece
	owner   []int32 // the mark of a piece
	first   []int32
	entries []int32
	hazes   []haze
}

// light is what a mark does to the light.
type light struct {
	half    float64 // of its width, or a blot's radius, in mm
	depth   float64 // µm
	blot    bool
	hole    bool
	opacity float64 // while nothing was taken off
}

const (
	square  = 0.5 // mm
	reach   = 122 // squares on each side of the spindle
	side    = 2 * reach
	longest = 4.0 // mm of a piece that are entered at a time

	// mostEntries bounds the index: 32 MB.
	mostEntries = 8 << 20
)

// newSurface indexes a scenario's marks for a beam of some radius at most. An
// error is returned when there are too many large marks.
func newSurface(s *Scenario, beam float64) (*surface, error) {
	f := &surface{hazes: s.hazes}
	x := &indexing{squares: make([][]int32, side*side)}
	for i, m := range s.marks {
		l := light{half: m.width / 2, depth: m.depth, blot: m.blot, hole: m.hole}
		l.opacity = l.left(0)
		f.marks = append(f.marks, l)
		for _, p := range m.pieces {
			x.enter(p, int32(len(f.pieces)), l.half+beam)
			f.pieces = append(f.pieces, p)
			f.owner = append(f.owner, int32(i))
		}
		if x.count > mostEntries {
			return nil, fmt.Errorf("scenario: the marks cover the disc too many times over")
		}
	}
	f.first = make([]int32, 1, len(x.squares)+1)
	f.entries = make([]int32, 0, x.count)
	for i, list := range x.squares {
		f.entries = append(f.entries, list...)
		f.first = append(f.first, int32(len(f.entries)))
		x.squares[i] = nil
	}
	return f, nil
}

// indexing is an index that grows.
type indexing struct {
	squares [][]int32
	count   int
}

// enter lists piece number n in all squares of which a point is within a
// distance of it, and perhaps in some more.
func (x *indexing) enter(p piece, n int32, within float64) {
	within += square * math.Sqrt2 / 2 // from the middle of a square
	for _, q := range p.parts() {
		xs := [2]float64{min(q.x, q.x+q.dx), max(q.x, q.x+q.dx)}
		ys := [2]float64{min(q.y, q.y+q.dy), max(q.y, q.y+q.dy)}
		// An arc's part bulges beyond its chord by less than this.
		slack := within + p.bulge()
		for j := squareOf(ys[0] - slack); j <= squareOf(ys[1]+slack); j++ {
			for i := squareOf(xs[0] - slack); i <= squareOf(xs[1]+slack); i++ {
				at := &x.squares[j*side+i]
				if k := len(*at); k > 0 && (*at)[k-1] == n {
					continue
				}
				mx, my := (float64(i-reach)+0.5)*square, (float64(j-reach)+0.5)*square
				if q.distance2(&spot{x: mx, y: my}) <= slack*slack {
					*at = append(*at, n)
					x.count++
				}
			}
		}
	}
}

// squareOf is the number of a square's row or column, the outermost for places
// beyond.
func squareOf(v float64) int {
	return int(min(max(0, math.Floor(v/square)+reach), side-1))
}

// parts is the piece in straight parts that are not long.
func (p *piece) parts() []piece {
	if p.r > 0 {
		n := 1 + int(2*math.Pi*p.r*p.span/longest)
		parts := make([]piece, n)
		for i := range parts {
			a := arc(p.r, p.from+p.span*float64(i)/float64(n), p.from+p.span*float64(i+1)/float64(n))
			parts[i] = straight([2]float64{a.x, a.y}, [2]float64{a.x + a.dx, a.y + a.dy})
		}
		return parts
	}
	n := 1 + int(math.Hypot(p.dx, p.dy)/longest)
	parts := make([]piece, n)
	for i := range parts {
		t, u := float64(i)/float64(n), float64(i+1)/float64(n)
		parts[i] = straight([2]float64{p.x + float64(t*p.dx), p.y + float64(t*p.dy)},
			[2]float64{p.x + float64(u*p.dx), p.y + float64(u*p.dy)})
	}
	return parts
}

// bulge is the most by which an arc's part is off its chord.
func (p *piece) bulge() float64 {
	if p.r == 0 {
		return 0
	}
	chord := min(longest, 2*p.r)
	return p.r - math.Sqrt(max(0, float64(p.r*p.r)-float64(chord*chord/4)))
}

// distance is how far a place is from the piece, in mm, squared.
func (p *piece) distance2(s *spot) float64 {
	x, y := s.x-p.x, s.y-p.y
	if p.r > 0 {
		if a := s.angle - p.from; a-math.Floor(a) <= p.span {
			d := s.r - p.r
			return d * d
		}
		ex, ey := x-p.dx, y-p.dy
		return min(float64(x*x)+float64(y*y), float64(ex*ex)+float64(ey*ey))
	}
	t := (float64(x*p.dx) + float64(y*p.dy)) * p.scale
	t = min(max(0, t), 1)
	x -= float64(t * p.dx)
	y -= float64(t * p.dy)
	return float64(x*x) + float64(y*y)
}

// onDisc tells whether a part of a mark lies within the disc's edge.
func (m *mark) onDisc() bool {
	for i := range m.pieces {
		p := &m.pieces[i]
		d := p.r
		if d == 0 {
			d = math.Sqrt(p.distance2(&spot{}))
		}
		if d-edge <= m.width/2 {
			return true
		}
	}
	return false
}

// left is the opacity of a mark where some µm were taken off.
func (l *light) left(off float64) float64 {
	switch {
	case off > 0 && off >= l.depth:
		return 0
	case l.blot:
		return 1
	}
	return 1 - exp((off-l.depth)/fadeDepth)
}

// covers is the share of a beam that the mark covers, near being the distance of
// its nearest piece from the beam's middle, within half a width and the beam's
// radius: that of a straight strip, or of a disc where the mark is a blot.
func (l *light) covers(near, beam float64) float64 {
	if l.blot {
		return lens(near, beam, l.half)
	}
	return cover((near+l.half)/beam) - cover((near-l.half)/beam)
}

// passes is the share of the light that the marks let through to a beam with
// some radius around s, where some µm were taken off.
func (f *surface) passes(s *spot, beam, off float64) float64 {
	if math.Abs(s.x) >= reach*square || math.Abs(s.y) >= reach*square {
		return 1
	}
	i := squareOf(s.y)*side + squareOf(s.x)
	list := f.entries[f.first[i]:f.first[i+1]]
	t := 1.0
	for k := 0; k < len(list); {
		owner := f.owner[list[k]]
		near2 := f.pieces[list[k]].distance2(s)
		for k++; k < len(list) && f.owner[list[k]] == owner; k++ {
			near2 = min(near2, f.pieces[list[k]].distance2(s))
		}
		m := &f.marks[owner]
		if m.hole {
			if near2 < m.half*m.half {
				return 0
			}
			continue
		}
		if within := m.half + beam; near2 >= within*within {
			continue
		}
		near := math.Sqrt(near2)
		opacity := m.opacity
		if off > 0 {
			opacity = m.left(off)
		}
		t *= 1 - float64(opacity*m.covers(near, beam))
	}
	return t
}

// haze is the density of the scenario's hazes at a place.
func (f *surface) haze(s spot) float64 {
	sum := 0.0
	for i := range f.hazes {
		h := &f.hazes[i]
		if s.r < h.inner || s.r > h.outer {
			continue
		}
		if a := s.angle - h.from; h.span < 1 && a-math.Floor(a) > h.span {
			continue
		}
		d := h.density
		if in := min(s.r-h.inner, h.outer-s.r); in < h.edge {
			d *= in / h.edge
		}
		sum += d
	}
	return sum
}
