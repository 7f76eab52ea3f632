package chart

import (
	"math"
	"strconv"
)

// damage draws the estimated damage. Its tone is the loss; a cell of which little
// is sure is drawn thinner, and left out where nothing is known.
func (d *dial) damage(f *Field, inner, outer, thin float64) {
	// What is recorded is paper, so that what is not known shows as such.
	d.fill(paint{base: paper}, circle(d.at, inner), circle(d.at, outer))
	for step, s := range lossSteps {
		var loops [][]point
		for b := range f.Bands {
			loops = append(loops, d.tones(f, b, step, thin)...)
		}
		d.fill(s.paint, loops...)
	}
	radii := func(b int) (low, high float64) { return f.band(b) }
	known := func(b, a int) bool { return f.at(b, a).sure >= unsure }
	d.dots(fine, ink, d.borders(f.Bands, f.Angles, radii, known)...)
}

// band is a band's radii in mm.
func (f *Field) band(b int) (low, high float64) {
	return f.Inner + float64(b)*f.Step, f.Inner + float64(b+1)*f.Step
}

// tones is the loops of the cells of a band that have a step of loss, neighbours
// that are as sure as one.
func (d *dial) tones(f *Field, band, step int, thin float64) [][]point {
	low, high := f.band(band)
	middle := (low + high) / 2
	half := func(a int) float64 { // of what is drawn; 0: nothing
		c := f.at(band, a%f.Angles)
		if c.sure < unsure || lossStep(c.loss) != step {
			return 0
		}
		// In tenths, so that cells that are nearly alike become one.
		tenths := float64(int(10*c.sure+0.5)) / 10
		return min(max(tenths*f.Step, thin), f.Step) / 2
	}
	var loops [][]point
	for a := 0; a < f.Angles; {
		h := half(a)
		if h == 0 {
			a++
			continue
		}
		k := a + 1
		for k < f.Angles && half(k) == h {
			k++
		}
		from, to := float64(a)/float64(f.Angles), float64(k)/float64(f.Angles)
		if k-a == f.Angles {
			loops = append(loops, circle(d.at, middle-h), circle(d.at, middle+h))
		} else {
			loop := d.arc(middle+h, from, to)
			back := d.arc(middle-h, from, to)
			for i := len(back) - 1; i >= 0; i-- {
				loop = append(loop, back[i])
			}
			loops = append(loops, loop)
		}
		a = k
	}
	return loops
}

// markRadius is the size of a mark's number on paper, in mm.
const markRadius = 1.9

// marks draws where marks lie, with the numbers under which the list has them. Of
// lines the ends are ringed, other marks are framed, so that the damage under them
// stays to be seen.
func (d *dial) marks(marks []Mark) {
	const air = 0.5 // mm between a mark and its frame
	taken := d.ringNumbers()
	for i, m := range marks {
		switch n := len(m.Line); {
		case n > 1:
			for _, p := range []Polar{m.Line[0], m.Line[n-1]} {
				c := circle(d.p(p.Radius, p.Angle), 0.9)
				d.cased(append(c, c[0]))
			}
		case m.whole():
			for _, r := range []float64{m.Inner - air, m.Outer + air} {
				c := circle(d.at, r)
				d.cased(append(c, c[0]))
			}
		default:
			reach := air / (2 * math.Pi * max(1, m.Outer))
			path := d.arc(m.Outer+air, m.From-reach, m.To+reach)
			back := d.arc(m.Inner-air, m.From-reach, m.To+reach)
			for i := len(back) - 1; i >= 0; i-- {
				path = append(path, back[i])
			}
			d.cased(append(path, path[0]))
		}
		// The number stands beside the mark, on the side of the hub or the rim that
		// has more room.
		at := m.middle()
		reach := max(m.Outer, at.Radius) + markRadius + 0.7
		if reach+markRadius > d.edge {
			reach = min(m.Inner, at.Radius) - markRadius - 0.7
		}
		n := d.p(reach, at.Angle)
		for tries := 0; tries < 4 && crowded(taken, n); tries++ {
			if reach += 2*markRadius + 0.3; reach+markRadius > d.edge {
				break
			}
			n = d.p(reach, at.Angle)
		}
		taken = append(taken, n)
		d.stroke(hair, ink, []point{d.p(at.Radius, at.Angle), n})
		d.fill(paint{base: ink}, circle(n, markRadius))
		d.fill(paint{base: paper}, circle(n, markRadius-0.2))
		d.say(n.x, n.y+0.75, 1.6, middle, strconv.Itoa(i+1))
	}
}

// crowded tells whether a number would lie over others.
func crowded(taken []point, n point) bool {
	for _, o := range taken {
		if math.Hypot(n.x-o.x, n.y-o.y) < 2*markRadius {
			return true
		}
	}
	return false
}

// cased draws a thin line that is seen on any ground.
func (d *dial) cased(path []point) {
	d.stroke(fine+0.25, paper, path)
	d.stroke(fine, ink, path)
}
