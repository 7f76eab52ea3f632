package chart

import (
	"math"
	"strconv"
)

// dial is a disc on a sheet: where it lies, and how angles come onto paper.
type dial struct {
	*scene
	at   point
	edge float64 // radius of the disc in mm
	view View
}

// Widths of lines in mm.
const (
	hair = 0.10
	fine = 0.18
	bold = 0.30
)

// p is the place on paper of a radius in mm and an angle of the disc in turns.
func (d *dial) p(radius, angle float64) point { return polar(d.at, radius, d.view.onPaper(angle)) }

// arc is the points of an arc between two angles of the disc, To not below From.
func (d *dial) arc(radius, from, to float64) []point {
	sign := 1.0
	if d.view.Side == Label {
		sign = -1
	}
	a := d.view.onPaper(from)
	return around(d.at, radius, a, a+sign*(to-from))
}

// blank draws the disc without what is recorded on it.
func (d *dial) blank() {
	d.fill(paint{base: body}, circle(d.at, d.edge), circle(d.at, holeRadius))
}

// hub draws what lies over the recorded part: the edges of disc and hole, the
// clamping zone with the sense of rotation, and rings of ten millimetres.
func (d *dial) hub() {
	ring := func(r float64) []point { c := circle(d.at, r); return append(c, c[0]) }
	d.stroke(fine, faint, ring(d.edge), ring(holeRadius))
	d.stroke(hair, faint, ring(clampRadius))
	for i, at := range d.ringNumbers() {
		r := ringStep * float64(2+i)
		d.stroke(hair, faint, ring(r))
		d.fill(paint{base: paper}, rectangle(at.x-1.7, at.y-1.1, 3.4, 2.2))
		d.say(at.x, at.y+0.7, 1.4, middle, strconv.Itoa(int(r)))
	}
	// An arrow the way the disc turns over the head, which is against the way
	// that angles grow.
	const r, half = 12.0, 0.16
	from, to := half, -half
	if d.view.Side == Label {
		from, to = to, from
	}
	d.stroke(bold, ink, around(d.at, r, from, to))
	tip, back := polar(d.at, r, to), 0.03*math.Copysign(1, from-to)
	d.stroke(bold, ink, []point{polar(d.at, r+1.3, to+back), tip, polar(d.at, r-1.3, to+back)})
	d.say(d.at.x, d.at.y+r+0.6, 1.4, middle, "turns so")
}

// ringStep is from one ring to the next, in mm; the first is of twice as much.
const ringStep = 10.0

// ringNumbers is where the radii of the rings are written.
func (d *dial) ringNumbers() (all []point) {
	for r := 2 * ringStep; r < d.edge-1; r += ringStep {
		all = append(all, polar(d.at, r, 0.5))
	}
	return all
}

// clockFace writes the hours round the disc.
func (d *dial) clockFace() {
	for h := 1; h <= 12; h++ {
		t := float64(h) / 12
		d.stroke(fine, ink, []point{polar(d.at, d.edge+0.6, t), polar(d.at, d.edge+1.8, t)})
		at := polar(d.at, d.edge+4, t)
		d.say(at.x, at.y+1.1, 2.2, middle, strconv.Itoa(h))
	}
}

// ruler draws millimetres from the middle of the disc to both sides, at a height. What it
// says leaves the column beside the disc free.
func (d *dial) ruler(y float64) {
	var ticks [][]point
	n := int(d.edge)
	for mm := -n; mm <= n; mm++ {
		x, l := d.at.x+float64(mm), 0.8
		switch {
		case mm%10 == 0:
			l = 2.2
			d.say(x, y+4.4, 1.5, middle, strconv.Itoa(max(mm, -mm)))
		case mm%5 == 0:
			l = 1.5
		}
		ticks = append(ticks, []point{{x, y}, {x, y + l}})
	}
	d.stroke(hair, ink, ticks...)
	d.stroke(hair, ink, []point{{d.at.x - d.edge, y}, {d.at.x + d.edge, y}})
	d.say(d.at.x+d.edge+2.5, y+4.4, 1.5, start, "mm")
}

// borders is the edges between cells of a mask and their neighbours: arcs between
// bands, radial lines between angles. In tells whether a cell belongs to the mask.
func (d *dial) borders(bands, angles int, radii func(band int) (low, high float64), in func(band, cell int) bool) [][]point {
	var all [][]point
	at := func(b, j int) bool { return b >= 0 && b < bands && in(b, (j+angles)%angles) }
	for b := 0; b <= bands; b++ {
		var r float64
		if b < bands {
			r, _ = radii(b)
		} else {
			_, r = radii(b - 1)
		}
		for j := 0; j < angles; {
			if at(b-1, j) == at(b, j) {
				j++
				continue
			}
			k := j
			for k < angles && at(b-1, k) != at(b, k) {
				k++
			}
			all = append(all, d.arc(r, float64(j)/float64(angles), float64(k)/float64(angles)))
			j = k
		}
	}
	if angles == 1 {
		return all
	}
	for j := range angles {
		for b := 0; b < bands; {
			if at(b, j-1) == at(b, j) {
				b++
				continue
			}
			k := b
			for k < bands && at(k, j-1) != at(k, j) {
				k++
			}
			low, _ := radii(b)
			_, high := radii(k - 1)
			a := float64(j) / float64(angles)
			all = append(all, []point{d.p(low, a), d.p(high, a)})
			b = k
		}
	}
	return all
}
