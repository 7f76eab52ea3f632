package plan

import "math"

// skill is whether the model tells blocks that come from those that fail better than
// their mean does. Damage that keeps to no place, and random
// failures, look like marks to it; then it passes over blocks, and comes back for them,
// for nothing.
type skill struct {
	tried, bad float64 // of late
	gain       float64 // the log of how much likelier the model made what happened
	flat       bool    // it is not believed
}

const (
	skillFade  = .998 // of what is older by a block
	skillFails = 25   // failures that a verdict needs
	skillSure  = 3    // times e, twenty to one, is a verdict
)

// note takes in how a block fared of which a chance was expected.
func (k *skill) note(chance float64, bad bool) {
	mean := (k.tried - k.bad + 1) / (k.tried + 2)
	chance = min(max(chance, .02), .995)
	if bad {
		chance, mean = 1-chance, 1-mean
	}
	k.gain = k.gain*skillFade + math.Log(chance/mean)
	k.tried, k.bad = k.tried*skillFade+1, k.bad*skillFade
	if bad {
		k.bad++
	}
	switch {
	case k.gain > skillSure:
		k.flat = false
	case k.gain < -skillSure && k.bad >= skillFails:
		k.flat = true
	}
}

// loss is that of any block while the model is not believed.
func (k *skill) loss() float64 { return -math.Log((k.tried - k.bad + 1) / (k.tried + 2)) }
