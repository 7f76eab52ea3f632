package sim

import "turnstone/device/spiral"

// rows is the light that each recorded row of an ECC block gets, from 0 to 1.
type rows [blockRows]float64

// light is the light of a block's rows in a round, taken in the middle of each.
func (d *Disc) light(g *ground, b int64, t *rows) {
	for i := range t {
		p := d.track.At(float64(b*blockSectors) + (float64(i)+0.5)/frameRows)
		s := spot{r: p.Radius, angle: p.Angle()}
		sin, cos := sincos(s.angle)
		s.x, s.y = s.r*cos, s.r*sin
		haze, off := g.at(s)
		t[i] = g.surface.passes(&s, d.beam(p, off), off)
		if haze > 0 {
			t[i] *= exp(-haze)
		}
	}
}

// beam is the radius of the beam at the surface on its way to a place, where some
// µm were taken off the substrate.
func (d *Disc) beam(p spiral.Place, off float64) float64 {
	if off == 0 {
		return d.beams[p.Layer]
	}
	depth := d.scenario.medium.Depth[p.Layer]
	return d.beams[p.Layer] * ((depth - off/1000) / depth)
}

// blind tells whether a drive loses the track in a block.
func (t *rows) blind(servo float64) bool {
	run := 0
	for _, v := range t {
		if v >= servo {
			run = 0
		} else if run++; run == blindRows {
			return true
		}
	}
	return false
}

// odds is the chance of each row to fail in an attempt.
type odds [blockRows]float64

// odds makes the rows' chances to fail for a margin and its noise, and tells how
// many can fail at all.
func (t *rows) odds(margin, noise float64, o *odds) (unsure int) {
	for i, v := range t {
		if o[i] = chance((margin - v) / noise); o[i] > 0 {
			unsure++
		}
	}
	return unsure
}

// delivered is the chance that one attempt delivers the whole block, at most
// outerRows of its rows failing. Rows in pairs share a draw: both fail, or one,
// or none. The count of failing rows is summed up exactly, pair by pair:
//
//	p(n) after the pair = p(n)·none + p(n−1)·one + p(n−2)·both
func (o *odds) delivered() float64 {
	p := [outerRows + 1]float64{1}
	above := 0.0 // more rows than come back
	top := 0     // the highest n that has a chance
	for i := 0; i < blockRows; i += noiseRows {
		both, one := min(o[i], o[i+1]), max(o[i], o[i+1])
		if one == 0 {
			continue
		}
		none := 1 - one
		one -= both
		top = min(top+noiseRows, outerRows+noiseRows)
		if top > outerRows {
			above += float64(p[outerRows]*(one+both)) + float64(p[outerRows-1]*both)
		}
		for n := min(top, outerRows); n >= 0; n-- {
			v := float64(p[n] * none)
			if n >= 1 {
				v += float64(p[n-1] * one)
			}
			if n >= 2 {
				v += float64(p[n-2] * both)
			}
			p[n] = v
		}
	}
	if above < 0.5 {
		return sure(1 - above)
	}
	sum := 0.0
	for _, v := range p {
		sum += v
	}
	return sure(sum)
}

// sure takes what is as good as impossible or certain for just that.
func sure(p float64) float64 {
	const dust = 1e-13
	switch {
	case p < dust:
		return 0
	case p > 1-dust:
		return 1
	}
	return p
}

// Chance is how a block fares with a drive.
type Chance struct {
	Usual float64 // that one attempt above 2x delivers all of it
	Slow  float64 // the same at 2x
	Lost  bool    // the drive loses the track in it; both chances are 0
}

// Readable tells whether a block counts as readable: one attempt above 2x
// delivers it as often as not.
func (c Chance) Readable() bool { return c.Usual >= 0.5 }

// chance is how a block whose rows get the light t fares with a drive.
func (t *rows) chance(spec *DriveSpec) Chance {
	if t.blind(spec.Servo) {
		return Chance{Lost: true}
	}
	var o odds
	c := Chance{Usual: 1, Slow: 1}
	if t.odds(spec.Margin, spec.Noise, &o) > outerRows {
		c.Usual = o.delivered()
	}
	if c.Usual < 1 && t.odds(spec.Margin-slowRelief, spec.Noise, &o) > outerRows {
		c.Slow = o.delivered()
	}
	return c
}
