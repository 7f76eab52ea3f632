package chart

import (
	"fmt"
	"math"
)

// Field is the damage of a disc's surface as somebody estimates it, in cells of
// radius and angle. Cell (b, a) lies between the radii Inner + b·Step and one Step
// more, in mm, and between the angles a/Angles and (a+1)/Angles, in package
// spiral's turns.
type Field struct {
	Inner, Step   float64
	Bands, Angles int
	// By band, then angle. Loss is the share of the blocks passing over the cell that
	// it stops, 0 to 1: what reading can tell of the light that is lost there.
	// Certainty is how sure that is, 0 to 1: 0 is not known, and left as paper.
	Loss, Certainty []float32
}

// Bounds of what is drawn: cells beyond them are drawn several as one.
const (
	mostFieldBands  = 144
	mostFieldAngles = 360
	unsure          = 0.05 // certainty below which nothing is drawn
)

// check returns an error unless the field can be drawn.
func (f *Field) check() error {
	n := f.Bands * f.Angles
	switch {
	case f.Bands <= 0 || f.Angles <= 0 || f.Bands > 1<<16 || f.Angles > 1<<16:
		return fmt.Errorf("field of %d bands and %d angles", f.Bands, f.Angles)
	case len(f.Loss) != n || len(f.Certainty) != n:
		return fmt.Errorf("field of %d cells with %d losses and %d certainties", n, len(f.Loss), len(f.Certainty))
	case !(f.Inner >= 0 && f.Step > 0 && f.Inner+float64(f.Bands)*f.Step <= Usual): // also NaN
		return fmt.Errorf("field from %v mm in %d bands of %v mm", f.Inner, f.Bands, f.Step)
	}
	return nil
}

// cell is a loss and its certainty.
type cell struct{ loss, sure float64 }

func (f *Field) at(band, angle int) cell {
	i := band*f.Angles + angle
	return cell{clamp(float64(f.Loss[i])), clamp(float64(f.Certainty[i]))}
}

func clamp(v float64) float64 {
	if !(v > 0) { // also NaN
		return 0
	}
	return min(v, 1)
}

// coarse is the field with no more cells than are drawn. Of the cells that become
// one, the loss is half-way between their mean and the greatest, so that a scratch
// that is narrower than the new cell stays.
func (f *Field) coarse() *Field {
	byBand := (f.Bands + mostFieldBands - 1) / mostFieldBands
	byAngle := 1
	for f.Angles/byAngle > mostFieldAngles || f.Angles%byAngle != 0 {
		byAngle++
	}
	if byBand == 1 && byAngle == 1 {
		return f
	}
	c := &Field{
		Inner: f.Inner, Step: f.Step * float64(byBand),
		Bands: (f.Bands + byBand - 1) / byBand, Angles: f.Angles / byAngle,
	}
	for b := range c.Bands {
		for a := range c.Angles {
			var mean, sure, most float64
			n := 0.0
			for i := b * byBand; i < min((b+1)*byBand, f.Bands); i++ {
				for j := a * byAngle; j < (a+1)*byAngle; j++ {
					s := f.at(i, j)
					mean += s.loss * s.sure
					sure += s.sure
					if s.sure >= unsure {
						most = math.Max(most, s.loss)
					}
					n++
				}
			}
			if sure > 0 {
				mean /= sure
			}
			c.Loss = append(c.Loss, float32((mean+most)/2))
			c.Certainty = append(c.Certainty, float32(sure/n))
		}
	}
	return c
}
