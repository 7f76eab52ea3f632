package chart

import (
	"fmt"
	"math"
	"slices"

	"turnstone/mapfile"
)

// What the material of a disc weighs, and how well it is weighed.
const (
	polycarbonate = 1.20e-3 // g/mm³
	// A scale that shows 0.01 g rounds by half of that, before and after.
	weighingStep = 0.01 // g
	// Polycarbonate takes up water from air and washing, up to 0.3 % of its weight
	// in water [memory]. A disc that was washed and dried in air may hold this
	// much more or less than before (common practice: let it lie for a day).
	waterShare = 0.001
	// A micrometer screw, set to the same place twice (common practice).
	thicknessStep = 0.004 // mm, of the difference
)

// Where a treatment takes material off when nobody told: all of the data.
const treatedFrom, treatedTo = 24.0, 58.0 // mm

// Thickness of a DVD's substrate, in mm: what the beam is made for (ECMA-267 11.1
// [memory]). Outside of it a drive may no longer focus well.
const (
	substrateLeast = 0.570
	substrateUsual = 0.600
	substrateMost  = 0.643
)

// Estimate is a number and how far it may be off either way.
type Estimate struct {
	Value float64 `json:"value"`
	Error float64 `json:"error"`
}

// Material is what treatments have taken off the reading side, in µm.
type Material struct {
	From     float64   `json:"from_mm"` // the band over which it is taken to be gone, in mm
	To       float64   `json:"to_mm"`
	Weighed  *Estimate `json:"weighed_um"`  // from the disc's weights; null where fewer than two are known
	Measured *Estimate `json:"measured_um"` // from its thickness
	Sanded   bool      `json:"sanded"`      // whether a treatment took material off at all, by its word
}

// MicrometresPerGram is how much thinner a band of polycarbonate between two radii
// in mm has become when it is lighter by one gram: 95 µm for 24 to 58 mm, where a
// micrometre weighs 10.5 mg.
func MicrometresPerGram(from, to float64) float64 {
	return 1000 / (math.Pi * (to*to - from*from) * polycarbonate)
}

// TakenOff is what the treatments of rounds have taken off, by the first and the
// last weight and thickness that were noted. A round's figures were measured before
// its treatment, so that its own treatment shows in later ones. False is returned
// when neither was noted twice.
func TakenOff(rounds []mapfile.Round) (Material, bool) {
	m := Material{From: treatedTo, To: treatedFrom}
	grams, told := between(rounds, func(r mapfile.Round) float64 { return r.Grams })
	thick, measured := between(rounds, func(r mapfile.Round) float64 { return r.ThicknessMM })
	if !told && !measured {
		return Material{}, false
	}
	first, last := grams.from, grams.to
	if !told || measured && thick.to-thick.from > last-first {
		first, last = thick.from, thick.to
	}
	for _, r := range rounds[first:last] {
		for _, t := range r.Treatments {
			if t.Word != "sand" && t.Word != "polish" { // the others take nothing off
				continue
			}
			m.Sanded = true
			if t.ToMM == 0 {
				m.From, m.To = min(m.From, treatedFrom), max(m.To, treatedTo)
			} else {
				m.From, m.To = min(m.From, t.FromMM), max(m.To, t.ToMM)
			}
		}
	}
	if m.From >= m.To {
		m.From, m.To = treatedFrom, treatedTo
	}
	if told {
		by := MicrometresPerGram(m.From, m.To)
		m.Weighed = &Estimate{(grams.first - grams.last) * by, (weighingStep + waterShare*grams.first) * by}
	}
	if measured {
		m.Measured = &Estimate{(thick.first - thick.last) * 1000, thicknessStep * 1000}
	}
	return m, true
}

// change is the first and the last time that a figure was noted.
type change struct {
	from, to    int // rounds
	first, last float64
}

func between(rounds []mapfile.Round, figure func(mapfile.Round) float64) (change, bool) {
	noted := func(r mapfile.Round) bool { return figure(r) > 0 }
	from := slices.IndexFunc(rounds, noted)
	to := len(rounds) - 1
	for to > from && from >= 0 && !noted(rounds[to]) {
		to--
	}
	if from < 0 || to <= from {
		return change{}, false
	}
	return change{from, to, figure(rounds[from]), figure(rounds[to])}, true
}

// best is the estimate with the smaller error.
func (m Material) best() Estimate {
	if m.Weighed == nil || m.Measured != nil && m.Measured.Error < m.Weighed.Error {
		return *m.Measured
	}
	return *m.Weighed
}

// Sentences say what was taken off, how well that is known, and what it means for
// a disc of a kind.
func (m Material) Sentences(kind string) []string {
	var all []string
	if e := m.Weighed; e != nil {
		all = append(all, fmt.Sprintf("By weight, treatments have taken %s ± %s µm off between %s and %s mm (0.01 g and water of %s %% of the weight allowed for; weigh it dry).",
			decimal(e.Value, 1), decimal(e.Error, 1), decimal(m.From, 1), decimal(m.To, 1), decimal(100*waterShare, 1)))
	}
	if e := m.Measured; e != nil {
		all = append(all, fmt.Sprintf("By thickness, they have taken %s ± %s µm off where it was measured.", decimal(e.Value, 1), decimal(e.Error, 1)))
	}
	if kind != "dvd" {
		return all
	}
	room := 1000 * (substrateUsual - substrateLeast)
	e := m.best()
	switch {
	case e.Value-e.Error >= room:
		all = append(all, fmt.Sprintf("A DVD's substrate is made %s mm thick and should not be under %s mm: a disc of the usual thickness is below that now, and drives may no longer focus well.",
			decimal(substrateUsual, 3), decimal(substrateLeast, 3)))
	case e.Value+e.Error >= room:
		all = append(all, fmt.Sprintf("A DVD's substrate is made %s mm thick and should not be under %s mm: a disc of the usual thickness may be there now.",
			decimal(substrateUsual, 3), decimal(substrateLeast, 3)))
	default:
		all = append(all, fmt.Sprintf("A DVD's substrate is made %s mm thick (%s–%s): of a disc of the usual thickness about %s µm more may go before drives may no longer focus well.",
			decimal(substrateUsual, 3), decimal(substrateLeast, 3), decimal(substrateMost, 3), decimal(room-max(0, e.Value), 0)))
	}
	return all
}
