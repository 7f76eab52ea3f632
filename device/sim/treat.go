package sim

import "math"

// ground is a disc's surface in one round: the marks, and what all treatments up
// to that round have done to them.
type ground struct {
	surface *surface
	steps   []step
}

// step is one treatment, ready for use.
type step struct {
	inner, outer float64
	sanded       bool
	off          float64 // µm that sanding takes off; of polishing, where it is even
	haze         float64 // density that sanding leaves
	keeps        float64 // share of the old haze that is left after sanding
	fades        float64 // polishing: the haze falls as e to the minus this, where it is even
	waves        [waves]wave
}

// wave is one of the random waves that make polishing uneven.
type wave struct {
	radial float64 // waves on a mm of radius
	around float64 // waves on a turn: a whole number, so that the turn closes
	phase  float64 // in turns
}

// gritOf is what a grit takes off, in µm a stroke, and the haze that it leaves;
// false where the model does not know it.
func gritOf(grit int) (off, haze float64, ok bool) {
	for _, g := range grits {
		if g.grit == grit {
			return g.off, g.haze, true
		}
	}
	return 0, 0, false
}

// most is the µm that a treatment takes off at most.
func (t Treatment) most() float64 {
	if t.Grit > 0 {
		off, _, _ := gritOf(t.Grit)
		return off * float64(t.Strokes)
	}
	return (1 + unevenness*waveHeight*waves) * polishRate / 60 * t.Seconds
}

// groundOf is the surface of a round, which is one of the scenario's.
func groundOf(s *Scenario, f *surface, round int) *ground {
	g := &ground{surface: f}
	for r, treatments := range s.Rounds[:round+1] {
		for i, t := range treatments {
			p := step{inner: t.Inner, outer: t.Outer}
			if t.Grit > 0 {
				off, haze, _ := gritOf(t.Grit)
				p.sanded, p.off, p.haze = true, off*float64(t.Strokes), haze
				p.keeps = exp(-p.off / coverDepth)
			} else {
				p.off, p.fades = polishRate/60*t.Seconds, t.Seconds/clearTime
				p.waves = newWaves(newStream(forWaves, s.Seed, uint64(r), uint64(i)))
			}
			g.steps = append(g.steps, p)
		}
	}
	return g
}

// newWaves draws the waves of one polishing.
func newWaves(u stream) (w [waves]wave) {
	for i := range w {
		n := uint64(3 * i)
		w[i] = wave{
			radial: u.between(n, -waveRadial, waveRadial),
			around: 1 + math.Floor(u.between(n+1, 0, waveAround)),
			phase:  u.uniform(n + 2),
		}
	}
	return w
}

// evenness is how much of an even polishing a place gets.
func (p *step) evenness(s spot) float64 {
	f := 0.0
	for i := range p.waves {
		w := &p.waves[i]
		t := float64(w.radial*s.r) + float64(w.around*s.angle) + w.phase
		_, cos := sincos(t - math.Floor(t))
		f += cos
	}
	return max(leastPolish, 1+float64(unevenness*waveHeight*f))
}

// at is the density of all haze at a place, and the µm taken off there.
func (g *ground) at(s spot) (haze, off float64) {
	haze = g.surface.haze(s)
	for i := range g.steps {
		p := &g.steps[i]
		if s.r < p.inner || s.r > p.outer {
			continue
		}
		if p.sanded {
			haze = p.haze + float64(haze*p.keeps)
			off += p.off
			continue
		}
		even := p.evenness(s)
		haze *= exp(-even * p.fades)
		off += float64(even * p.off)
	}
	return haze, off
}
