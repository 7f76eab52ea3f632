package plan

import "math"

// skill tells how far the model of the surface is to be believed. There are things
// that it does not know: blocks that are bad one by one, or in runs along the
// track whatever the angle. So its chance is taken together with two others, that
// know nothing of a surface,
//
//	surface   the cells under a block, and blocks that begin at the same angle
//	beside    the few blocks before and behind it
//	stretch   the sixteen that it is one of, the 512, and all
//
// as in a logistic regression, whose weights are learnt as outcomes come in:
//
//	log odds = w₀ + w₁ · surface + w₂ · beside + w₃ · stretch     (log odds, too)
//
// It begins with the surface's own, w = (0, 1, 0, 0). Where that is no more than a
// guess w₁ falls to nothing, and what was only thought to be marked is read along (luck.go).
type skill struct {
	saw    []uint8
	own    []bool
	few    []fared // by 16 blocks
	many   []fared // by 512
	all    fared
	weight [features]float64
	doubt  [features][features]float64 // covariance of the weights
	alone  [calibrations + 1]float64   // chance by the surface's log odds, where that counts alone
}

// fared is how some blocks did.
type fared struct{ came, bad float64 }

const (
	always = iota
	surfaceSays
	besideSays
	stretchSays
	features
)

const (
	oddsSure     = 4    // from which on the surface is believed as it is
	oddsLeast    = -3   // to which the regression may lower them: what is hopeless the surface must say
	oddsMost     = 8    // logarithm of the odds that one may give
	calibrations = 64   // of them from -oddsMost to oddsMost
	weightMost   = 1.25 // of the surface
	firstCame    = 32   // blocks that must have come: a slope can't be told from failures alone
	driftMost    = .002 // by which a block's outcome makes old ones count less
)

// firstDoubt is the variance of the weights to begin with: that the surface's should
// be another is learnt from some thirty blocks of which it was not sure, that others know
// more of them from some hundred. With ten, three specks on a scratched disc could end all
// belief in the surface before its period was known: it took half as long again.
var firstDoubt = [features]float64{.05, .05, .005, .005}

func newSkill(saw []uint8, own []bool) skill {
	k := skill{saw: saw, own: own, few: make([]fared, len(saw)/16+1), many: make([]fared, len(saw)/512+1)}
	k.weight[surfaceSays] = 1
	for i, v := range firstDoubt {
		k.doubt[i][i] = v
	}
	k.calibrate()
	return k
}

// see counts how a block fared.
func (k *skill) see(b int64, bad bool) {
	for _, t := range [...]*fared{&k.few[b/16], &k.many[b/512], &k.all} {
		if bad {
			t.bad++
		} else {
			t.came++
		}
	}
}

func logOdds(p float64) float64 {
	return min(max(math.Log(p/(1-p)), -oddsMost), oddsMost)
}

func chanceOf(odds float64) float64 { return 1 / (1 + math.Exp(-odds)) }

func (k *skill) say(b int64, surface float64) [features]float64 {
	beside, stretch := k.others(b)
	return [features]float64{1, logOdds(surface), logOdds(beside), logOdds(stretch)}
}

// note takes in how a block fared, before it is counted, of which the surface
// expected that it comes with a chance: one step of an extended Kalman filter. What
// was sure teaches nothing of what is not.
func (k *skill) note(b int64, surface float64, bad bool) {
	if math.Abs(logOdds(surface)) > oddsSure || k.all.came < firstCame {
		return
	}
	x := k.say(b, surface)
	sum, spread := 0.0, 0.0
	var gain [features]float64
	for i := range x {
		sum += k.weight[i] * x[i]
		for j := range x {
			gain[i] += k.doubt[i][j] * x[j]
		}
		spread += x[i] * gain[i]
	}
	p := chanceOf(min(max(sum, -oddsMost), oddsMost))
	slope := p * (1 - p)
	wrong := 1 - p
	if bad {
		wrong = -p
	}
	by := 1 / (1 + slope*spread)
	for i := range x {
		k.weight[i] += gain[i] * by * wrong
		for j := range x {
			k.doubt[i][j] -= gain[i] * gain[j] * by * slope
		}
	}
	for i := range x {
		k.doubt[i][i] = min(k.doubt[i][i]*(1+driftMost), firstDoubt[i])
	}
	k.weight[surfaceSays] = min(max(0, k.weight[surfaceSays]), weightMost)
	k.weight[besideSays], k.weight[stretchSays] = max(0, k.weight[besideSays]), max(0, k.weight[stretchSays])
	k.calibrate()
}

func (k *skill) calibrate() {
	for i := range k.alone {
		x := (float64(i)/calibrations*2 - 1) * oddsMost
		k.alone[i] = chanceOf(max(k.weight[always]+k.by(x), min(x, oddsLeast)))
	}
}

// by is what the surface's log odds weigh.
func (k *skill) by(odds float64) float64 {
	unsure := min(max(odds, -oddsSure), oddsSure)
	return k.weight[surfaceSays]*unsure + odds - unsure
}

// others is what those expect of a block who know nothing of the surface.
func (k *skill) others(b int64) (beside, stretch float64) {
	rate := (k.all.came + 4) / (k.all.came + k.all.bad + 4.1)
	m := &k.many[b/512]
	rate = (m.came + 16*rate) / (m.came + m.bad + 16)
	f := &k.few[b/16]
	stretch = (f.came + 8*rate) / (f.came + f.bad + 8)
	came, bad := 4*stretch, 4*(1-stretch)
	for d := int64(1); d <= 4; d++ {
		for _, n := range [...]int64{b - d, b + d} {
			if n < 0 || n >= int64(len(k.saw)) || !k.own[n] {
				continue
			}
			if k.saw[n] == sawBad {
				bad += 4 / float64(d)
			} else {
				came += 4 / float64(d)
			}
		}
	}
	return came / (came + bad), stretch
}

// chance is that of a block of which the surface expects so much.
func (k *skill) chance(b int64, surface float64) float64 {
	if math.Abs(k.weight[besideSays])+math.Abs(k.weight[stretchSays]) > .05 {
		x := k.say(b, surface)
		sum := k.weight[always] + k.by(x[surfaceSays]) + k.weight[besideSays]*x[besideSays] + k.weight[stretchSays]*x[stretchSays]
		return chanceOf(max(sum, min(x[surfaceSays], oddsLeast)))
	}
	if surface > .9991 {
		return surface
	}
	x := (logOdds(surface) + oddsMost) / (2 * oddsMost) * calibrations
	i := min(int(x), calibrations-1)
	return k.alone[i] + (x-float64(i))*(k.alone[i+1]-k.alone[i])
}

// besideShare is how much what is beside a block is believed, as a share of that and of how
// much the surface is. What the stretch tells is left out: half of a disc that was scratched
// more than the other is a stretch, too.
func (k *skill) besideShare() float64 {
	beside := k.weight[besideSays]
	return beside / max(beside+k.weight[surfaceSays], 1e-9)
}
