package marks

import "math"

// strip is a mark as the surface between two straight edges, from one ring to another.
type strip struct {
	first, last int        // rings
	from, to    [2]float64 // turns, on the first ring and on the last; they may pass 1
	wrong       float64    // blocks that fared otherwise than the strip has it
}

// slantRings is how many rings a strip must have to go aslant: fewer say nothing of that.
const slantRings = 4

// stripOf is the strip whose edges are nearest to those of runs, by least squares.
func stripOf(runs []run) strip {
	p := strip{first: runs[0].ring, last: runs[0].ring}
	x, y := 0.0, 0.0
	for _, r := range runs {
		p.first, p.last = min(p.first, r.ring), max(p.last, r.ring)
		a, b := Place{1, float64(r.from+r.to) / 2 / angles}.xy()
		n := float64(r.to - r.from)
		x, y = x+n*a, y+n*b
	}
	// Angles count from the mean direction on, so that they don't tear apart.
	mean := math.Atan2(y, x) / (2 * math.Pi)
	var n, d, dd float64 // sums for both lines
	var sum, leant [2]float64
	for _, r := range runs {
		down := p.down(r.ring)
		half := float64(r.to-r.from) / 2 / angles
		mid := mean + math.Remainder(float64(r.from)/angles+half-mean, 1)
		n, d, dd = n+1, d+down, dd+down*down
		for i, e := range [2]float64{mid - half, mid + half} {
			sum[i], leant[i] = sum[i]+e, leant[i]+down*e
		}
	}
	for i, edge := range [2]*[2]float64{&p.from, &p.to} {
		slope := 0.0
		if v := n*dd - d*d; v > 1e-9 && p.slants() {
			slope = (n*leant[i] - d*sum[i]) / v
		}
		edge[0] = (sum[i] - slope*d) / n
		edge[1] = edge[0] + slope
	}
	return p
}

// slants tells whether the strip has rings enough to go aslant.
func (p *strip) slants() bool { return p.last-p.first+1 >= slantRings }

// down is how far down the strip a ring is: 0 is its first one, 1 its last.
func (p *strip) down(ring int) float64 {
	return float64(ring-p.first) / float64(max(1, p.last-p.first))
}

// at is where the strip's edges are on a ring, in turns.
func (p *strip) at(ring int) (from, to float64) {
	down := p.down(ring)
	return p.from[0] + down*(p.from[1]-p.from[0]), p.to[0] + down*(p.to[1]-p.to[0])
}

// middle is the angle in the strip's middle, in turns.
func (p *strip) middle() float64 { return (p.from[0] + p.from[1] + p.to[0] + p.to[1]) / 4 }

// wide is how many turns wide the strip is in the mean: none where its edges pass each other,
// since no place is under all blocks that it stops.
func (p *strip) wide() float64 { return (p.to[0] + p.to[1] - p.from[0] - p.from[1]) / 2 }

// heart is the strip's middle by its width, in rings and turns.
func (p *strip) heart() (ring, turn float64) {
	a, b := max(1./angles, p.to[0]-p.from[0]), max(1./angles, p.to[1]-p.from[1])
	down := (a + 2*b) / (a + b) / 3
	return float64(p.first) + down*float64(p.last-p.first),
		(p.from[0] + p.to[0] + down*(p.from[1]+p.to[1]-p.from[0]-p.to[0])) / 2
}

// over are the strip's cells, one at least in each ring, and what of given runs goes on
// beside them, as far as so many turns.
func (p *strip) over(runs []run, beside float64) []run {
	all := make([]run, p.last-p.first+1)
	for i := range all {
		from, to := p.at(p.first + i)
		mid := (from + to) / 2
		from, to = min(from, mid-.5/angles), max(to, mid+.5/angles)
		low, high := from, to
		for _, r := range runs {
			if r.ring != p.first+i {
				continue
			}
			half := float64(r.to-r.from) / 2 / angles
			at := mid + math.Remainder(float64(r.from)/angles+half-mid, 1)
			if at-half <= to && from <= at+half {
				low, high = min(low, max(at-half, from-beside)), max(high, min(at+half, to+beside))
			}
		}
		first := int(math.Round(low * angles))
		wide := min(angles, max(1, int(math.Round(high*angles))-first))
		first = (first%angles + angles) % angles
		all[i] = run{p.first + i, first, first + wide}
	}
	return all
}
