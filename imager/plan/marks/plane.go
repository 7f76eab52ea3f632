package marks

import (
	"math"
	"slices"
)

// plane is what windows say of stretches: of those that change the turns by a share u
// where a leg begins and by v where it ends, both in even steps.
type plane struct {
	u, v   float64 // the first of each
	step   float64
	us, vs int
	say    []float64 // by u, then v
}

// bounds are those of u and of v.
type bounds struct{ lowU, highU, lowV, highV float64 }

// newPlane is one in which nothing is said yet.
func newPlane(b bounds, step float64) *plane {
	p := &plane{u: b.lowU, v: b.lowV, step: step}
	p.us, p.vs = int(math.Round((b.highU-b.lowU)/step))+1, int(math.Round((b.highV-b.lowV)/step))+1
	p.say = make([]float64, p.us*p.vs)
	return p
}

// hear adds what windows say, whose powers are known at shares in the plane's steps.
// A window's say hangs on one number, a weighted mean of u and v, which changes little
// from one window to the next. So of some neighbours the sum is taken first, by that
// number for the middle one and by v − u, and then looked up for each u and v.
func (p *plane) hear(l *leg, ws []window) {
	if len(ws) == 0 {
		return
	}
	half := len(ws[0].power) / 2
	weight := func(w *window) float64 { return stretch{0, 1}.at(l, w.at) } // of v
	lean := max(math.Abs(p.v+p.step*float64(p.vs-1)-p.u), math.Abs(p.v-(p.u+p.step*float64(p.us-1)))) / p.step
	// As many neighbours as make both sums the same work.
	work := float64(p.us*p.vs) * float64(len(ws)) / (2*lean + 1) / float64(2*half+1)
	size := max(1, int(math.Sqrt(work)))
	ats, skews := make([]float64, p.vs), make([]float64, p.vs) // what each v adds, for one u as for another
	var sums []float64
	for first := 0; first < len(ws); first += size {
		group := ws[first:min(first+size, len(ws))]
		low, high := weight(&group[0]), weight(&group[len(group)-1])
		mid := (low + high) / 2
		// Lean, v − u, in steps that move no window by more than one of its own.
		coarse := 1 / max(math.Abs(high-low), 1/(2*lean+1))
		leans := int(lean/coarse+.5) + 1 // to either side
		n := (2*leans + 1) * (2*half + 1)
		sums = slices.Grow(sums[:0], n)[:n]
		clear(sums)
		for i := range group {
			w := &group[i]
			for k := -leans; k <= leans; k++ {
				row := sums[(k+leans)*(2*half+1) : (k+leans+1)*(2*half+1)]
				shift := int(math.Round(float64(k) * coarse * (weight(w) - mid)))
				// Shares beyond those known count as the last.
				known := w.power[min(max(0, shift), 2*half):min(2*half+1, max(1, 2*half+1+shift))]
				before := min(max(0, -shift), 2*half)
				for d := range before {
					row[d] += w.power[0]
				}
				within := row[before:]
				within = within[:min(len(within), len(known))]
				for d, v := range known[:len(within)] {
					within[d] += v
				}
				for d := before + len(within); d < len(row); d++ {
					row[d] += w.power[2*half]
				}
			}
		}
		for j := range p.vs {
			ats[j], skews[j] = mid*float64(j), float64(j)/coarse
		}
		for i := range p.us {
			u := p.u/p.step + float64(i)
			at := u + mid*(p.v/p.step-u) + float64(half) + .5
			skew := (p.v/p.step-u)/coarse + float64(leans) + .5
			out := p.say[i*p.vs : (i+1)*p.vs]
			ats, skews := ats[:len(out)], skews[:len(out)]
			for j := range out {
				d := min(max(0, int(at+ats[j])), 2*half)
				k := min(max(0, int(skew+skews[j])), 2*leans)
				out[j] += sums[k*(2*half+1)+d]
			}
		}
	}
}

// at is the stretch of a place in the plane.
func (p *plane) at(i int) stretch {
	return stretch{p.u + p.step*float64(i/p.vs), p.v + p.step*float64(i%p.vs)}
}

// of is what is said of a stretch, at the nearest place.
func (p *plane) of(x stretch) float64 {
	i := min(max(0, int(math.Round((x.u-p.u)/p.step))), p.us-1)
	j := min(max(0, int(math.Round((x.v-p.v)/p.step))), p.vs-1)
	return p.say[i*p.vs+j]
}

// best is where most is said.
func (p *plane) best() (at stretch, most float64) {
	most = math.Inf(-1)
	for i, s := range p.say {
		if s > most {
			at, most = p.at(i), s
		}
	}
	return at, most
}
