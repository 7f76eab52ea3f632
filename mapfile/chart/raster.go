package chart

import (
	"cmp"
	"image"
	"image/png"
	"io"
	"math"
	"slices"
)

// raster draws scenes into an image, anti-aliased: each row of pixels is cut by
// rows lines, and along each of them coverage is exact.
type raster struct {
	img   *image.RGBA
	scale float64 // pixels in a mm
	top   float64 // of the scene, in pixels

	edges  []edge
	active []int     // by where they were crossed last
	cover  []float32 // by pixel of a row; behind them one more
	cross  []crossing
}

// rows is the lines that cut a row of pixels.
const rows = 4

// edge is a side of an area, in pixels, from its upper end.
type edge struct {
	x, y, end float64 // y < end
	slope     float64 // of x by y
	sign      int8    // +1 where it was drawn downwards
}

type crossing struct {
	x    float64
	edge int
	sign int8
}

// before is the order of crossings. No place is NaN.
func (c crossing) before(o crossing) int {
	switch {
	case c.x < o.x:
		return -1
	case c.x > o.x:
		return 1
	}
	return 0
}

// writePNG writes scenes one below the other as a PNG (ISO/IEC 15948) that is so
// many pixels wide.
func writePNG(w io.Writer, scenes []*scene, pixels int) error {
	var width, height float64
	for _, s := range scenes {
		width, height = max(width, s.width), height+s.height
	}
	scale := float64(pixels) / width
	r := &raster{
		img:   image.NewRGBA(image.Rect(0, 0, pixels, max(1, int(math.Round(height*scale))))),
		scale: scale,
		cover: make([]float32, pixels+2),
	}
	for i := 0; i < len(r.img.Pix); i += 4 {
		copy(r.img.Pix[i:], []byte{paper.r, paper.g, paper.b, 255})
	}
	for _, s := range scenes {
		for _, it := range s.items {
			r.item(it)
		}
		r.top += s.height * scale
	}
	encoder := png.Encoder{CompressionLevel: png.BestSpeed}
	return encoder.Encode(w, r.img)
}

func (r *raster) item(it item) {
	switch {
	case it.area != nil:
		for _, loop := range it.area.loops {
			r.outline(loop)
		}
		r.fill(it.area.paint, true)
	case it.line != nil:
		r.draw(it.line)
	case it.label != nil:
		l := it.label.strokes()
		r.draw(&l)
	}
}

// outline adds the sides of a closed loop.
func (r *raster) outline(loop []point) {
	for i, p := range loop {
		q := loop[(i+1)%len(loop)]
		r.side(p.x*r.scale, p.y*r.scale+r.top, q.x*r.scale, q.y*r.scale+r.top)
	}
}

// side adds a side, in pixels.
func (r *raster) side(x, y, x2, y2 float64) {
	switch {
	case y < y2:
		r.edges = append(r.edges, edge{x, y, y2, (x2 - x) / (y2 - y), 1})
	case y > y2:
		r.edges = append(r.edges, edge{x2, y2, y, (x - x2) / (y - y2), -1})
	}
}

// fill paints what the sides enclose, by the even-odd or the nonzero rule, and
// begins anew.
func (r *raster) fill(p paint, evenOdd bool) {
	defer func() { r.edges, r.active = r.edges[:0], r.active[:0] }()
	if len(r.edges) == 0 {
		return
	}
	slices.SortFunc(r.edges, func(a, b edge) int { return cmp.Compare(a.y, b.y) })
	last := 0.0
	for _, e := range r.edges {
		last = max(last, e.end)
	}
	size := r.img.Rect.Size()
	next := 0
	for y := max(0, int(r.edges[0].y)); y < min(size.Y, int(last)+1); y++ {
		left, right := size.X, 0
		for k := range rows {
			at := float64(y) + (float64(k)+0.5)/rows
			for next < len(r.edges) && r.edges[next].y <= at {
				r.active = append(r.active, next)
				next++
			}
			r.cross = r.cross[:0]
			for _, i := range r.active {
				if e := &r.edges[i]; e.end > at {
					r.cross = append(r.cross, crossing{e.x + (at-e.y)*e.slope, i, e.sign})
				}
			}
			slices.SortFunc(r.cross, crossing.before) // nearly sorted: few lines cross from one row to the next
			r.active = r.active[:0]
			for _, c := range r.cross {
				r.active = append(r.active, c.edge)
			}
			winding := 0
			for i, c := range r.cross {
				if evenOdd {
					winding ^= 1
				} else {
					winding += int(c.sign)
				}
				if winding != 0 && i+1 < len(r.cross) {
					from, to := max(0, c.x), min(float64(size.X), r.cross[i+1].x)
					if from < to {
						r.span(from, to)
						left, right = min(left, int(from)), max(right, int(to)+1)
					}
				}
			}
		}
		r.paintRow(p, y, left, min(right, size.X))
	}
}

// span adds one line's coverage between two places of a row.
func (r *raster) span(from, to float64) {
	const whole = 1.0 / rows
	i, j := int(from), int(to)
	if i == j {
		r.cover[i] += float32((to - from) * whole)
		return
	}
	r.cover[i] += float32((float64(i+1) - from) * whole)
	for k := i + 1; k < j; k++ {
		r.cover[k] += whole
	}
	r.cover[j] += float32((to - float64(j)) * whole)
}

// paintRow paints the covered pixels of a row and clears their coverage.
func (r *raster) paintRow(p paint, y, left, right int) {
	for x := left; x < right; x++ {
		c := r.cover[x]
		r.cover[x] = 0
		if c <= 0.002 {
			continue
		}
		colour := p.base
		if p.hatch != plain {
			colour = p.at((float64(x)+0.5)/r.scale, (float64(y)+0.5-r.top)/r.scale, r.scale)
		}
		r.blend(x, y, colour, min(c, 1))
	}
	if right >= 0 && right < len(r.cover) {
		r.cover[right] = 0
	}
}

func (r *raster) blend(x, y int, c rgb, part float32) {
	i := r.img.PixOffset(x, y)
	pix := r.img.Pix[i : i+3 : i+3]
	for k, v := range [3]uint8{c.r, c.g, c.b} {
		was := float32(pix[k])
		pix[k] = uint8(was + part*(float32(v)-was) + 0.5)
	}
}

// at is the colour of a hatched area at a place in mm.
func (p paint) at(x, y, scale float64) rgb {
	near := math.Inf(1)
	rise, fall, flat, tall := p.hatch.lines()
	step := p.hatch.step()
	off := func(v float64) { near = min(near, math.Abs(v-step*math.Round(v/step))) }
	if rise {
		off((x + y) / math.Sqrt2)
	}
	if fall {
		off((x - y) / math.Sqrt2)
	}
	if flat {
		off(y - step/2)
	}
	if tall {
		off(x - step/2)
	}
	// A pixel that the line's edge cuts has a part of both.
	part := min(max(0, (hatchWidth/2-near)*scale+0.5), 1, hatchWidth*scale)
	return mix(p.line, p.base, part)
}

// thinnestPen keeps lines visible, in pixels.
const thinnestPen = 0.7

// draw draws lines with a round pen.
func (r *raster) draw(l *line) {
	half := max(l.width*r.scale, thinnestPen) / 2
	for _, path := range l.paths {
		if l.dash[1] > 0 {
			for _, piece := range dashes(path, l.dash) {
				r.pen(piece, half)
			}
			continue
		}
		r.pen(path, half)
	}
	r.fill(paint{base: l.colour}, false)
}

// pen adds the outline of a path drawn with a round pen: of each piece a box, of
// each point a disc.
func (r *raster) pen(path []point, half float64) {
	for i, p := range path {
		x, y := p.x*r.scale, p.y*r.scale+r.top
		r.dot(x, y, half)
		if i == 0 {
			continue
		}
		px, py := path[i-1].x*r.scale, path[i-1].y*r.scale+r.top
		length := math.Hypot(x-px, y-py)
		if length == 0 {
			continue
		}
		nx, ny := -(y-py)/length*half, (x-px)/length*half
		r.side(px+nx, py+ny, px-nx, py-ny)
		r.side(px-nx, py-ny, x-nx, y-ny)
		r.side(x-nx, y-ny, x+nx, y+ny)
		r.side(x+nx, y+ny, px+nx, py+ny)
	}
}

// dot adds a disc, wound the same way as the boxes of pen.
func (r *raster) dot(x, y, radius float64) {
	n := min(max(6, int(4*radius)), 48)
	px, py := x+radius, y
	for i := 1; i <= n; i++ {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		qx, qy := x+radius*cos, y+radius*sin
		r.side(px, py, qx, qy)
		px, py = qx, qy
	}
}

// dashes cuts a path into what is drawn of it.
func dashes(path []point, dash [2]float64) [][]point {
	var all [][]point
	at, on := 0.0, true // way since the last change
	var now []point
	for i, p := range path {
		if i == 0 {
			now = []point{p}
			continue
		}
		q := path[i-1]
		length := math.Hypot(p.x-q.x, p.y-q.y)
		for done := 0.0; done < length; {
			limit := dash[1]
			if on {
				limit = dash[0]
			}
			step := min(limit-at, length-done)
			done += step
			at += step
			here := point{q.x + (p.x-q.x)*done/length, q.y + (p.y-q.y)*done/length}
			if on {
				now = append(now, here)
			}
			if at >= limit {
				if on {
					all = append(all, now)
				} else {
					now = []point{here}
				}
				at, on = 0, !on
			}
		}
	}
	if on && len(now) > 1 {
		all = append(all, now)
	}
	return all
}
