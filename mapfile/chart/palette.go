package chart

import "math"

// rgb is a colour of sRGB.
type rgb struct{ r, g, b uint8 }

// The colours. Blue and vermilion are those of Okabe and Ito's palette, which
// people with any of the usual colour vision can tell apart (Color Universal
// Design, 2008). Everything that they say is also said by pattern and in words.
var (
	paper     = rgb{255, 255, 255}
	ink       = rgb{0x1A, 0x1A, 0x1A}
	blue      = rgb{0x00, 0x72, 0xB2}
	vermilion = rgb{0xD5, 0x5E, 0x00}
	outline   = rgb{0x3D, 0x1B, 0x00} // round what is missing: vermilion darkened
	body      = rgb{0xC8, 0xC8, 0xC5} // the disc where nothing is recorded: in grey print darker than what is good
	faint     = rgb{0x77, 0x77, 0x77} // edges, ticks
)

// mix is part of a over the rest of b, part from 0 to 1, value by value.
func mix(a, b rgb, part float64) rgb {
	m := func(x, y uint8) uint8 { return uint8(math.Round(float64(y) + (float64(x)-float64(y))*part)) }
	return rgb{m(a.r, b.r), m(a.g, b.g), m(a.b, b.b)}
}

// hatch is the pattern of an area.
type hatch uint8

const (
	plain      hatch = iota
	rising           // lines that rise to the right
	falling          // lines that fall to the right
	crossed          // both
	level            // horizontal lines
	upright          // vertical lines
	woven            // both
	closeLines       // rising, twice as close
)

// paint is how an area is filled.
type paint struct {
	base  rgb
	hatch hatch
	line  rgb // of the hatch
}

// How hatches are drawn, in mm.
const (
	hatchStep  = 1.2 // from line to line, across them
	hatchWidth = 0.16
)

// step is the distance of the hatch's lines in mm.
func (h hatch) step() float64 {
	if h == closeLines {
		return hatchStep / 2
	}
	return hatchStep
}

// lines tells in which directions the hatch has lines.
func (h hatch) lines() (rise, fall, flat, tall bool) {
	return h == rising || h == crossed || h == closeLines, h == falling || h == crossed, h == level || h == woven, h == upright || h == woven
}

// tints are the strengths of the blue by class of won sectors: all far lighter
// than vermilion, so that a grey print keeps them apart from what is missing.
var tints = [mostTints]float64{0.16, 0.30, 0.42, 0.24, 0.46, 0.36, 0.38, 0.32}

// paintOf is how a class of sectors is drawn; number counts the classes of won
// sectors.
func paintOf(c class, number int) paint {
	switch c.kind {
	case won:
		n := min(number, mostTints-1)
		return paint{mix(blue, paper, tints[n]), hatch(n), blue}
	case failed:
		return paint{base: vermilion}
	case notSince:
		return paint{mix(vermilion, paper, 0.35), closeLines, vermilion}
	}
	return paint{base: paper}
}

// flat is the paint without its hatch, as dark on the whole.
func (p paint) flat() paint {
	rise, fall, level, tall := p.hatch.lines()
	share := 0.0
	for _, l := range []bool{rise, fall, level, tall} {
		if l {
			share += hatchWidth / p.hatch.step()
		}
	}
	return paint{base: mix(p.line, p.base, share)}
}

// lossSteps are the shares of the blocks that pass over a spot which it is thought to
// stop, from which on upwards, with how they are drawn and told: shading that gets denser, dark on a
// pale blue.
var lossSteps = []struct {
	from  float64
	paint paint
	words string
}{
	{0, paint{mix(blue, paper, 0.10), plain, ink}, "stops under a tenth of the blocks that pass"},
	{0.10, paint{mix(ink, paper, 0.10), falling, ink}, "a tenth to a quarter"},
	{0.25, paint{mix(ink, paper, 0.38), rising, ink}, "a quarter to a half"},
	{0.50, paint{mix(ink, paper, 0.58), closeLines, ink}, "a half to three quarters"},
	{0.75, paint{mix(ink, paper, 0.88), plain, ink}, "more than three quarters"},
}

// lossStep is the step of a loss.
func lossStep(loss float64) int {
	i := 0
	for i+1 < len(lossSteps) && loss >= lossSteps[i+1].from {
		i++
	}
	return i
}
