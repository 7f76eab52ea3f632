package spiral

import (
	"fmt"
	"math"
)

// Tolerance is a value of a standard: what it aims at and what it allows.
type Tolerance struct{ Nominal, Least, Most float64 }

// scaled is the tolerance in another unit.
func (t Tolerance) scaled(by float64) Tolerance {
	return Tolerance{t.Nominal * by, t.Least * by, t.Most * by}
}

// Allows tells whether v is within the tolerance.
func (t Tolerance) Allows(v float64) bool { return t.Least <= v && v <= t.Most }

// Medium is a kind of disc as its standard makes it. Lengths are in mm.
type Medium struct {
	Name  string
	Inner Tolerance // radius at which the data zone begins
	Outer float64   // greatest radius of the data zone on a disc of 120 mm
	Pitch Tolerance // averaged over the disc
	Bit   Tolerance // length of one channel bit, averaged over the disc

	SectorBits float64 // channel bits of one sector, sync and linking included
	BitRate    float64 // channel bits a second at 1x

	Aperture float64   // numerical aperture of the objective lens
	Index    float64   // refractive index of the substrate or cover
	Depth    []float64 // from the entrance surface to each layer
}

// Radii that no track passes, in mm, and the data zone's end on discs of 80 mm.
const (
	hole         = 7.5  // centre hole of 15 mm diameter (ECMA-267 10)
	edge         = 60.0 // disc of 120 mm diameter (ECMA-267 10)
	OuterOfSmall = 38.0 // [memory]; the usual 714,544 sectors end there exactly
)

const (
	mmPerUm = 1e-3
	mmPerNm = 1e-6
)

// DVD is a DVD with one layer or, where layers is 2 or more, with two.
func DVD(layers int) Medium {
	m := Medium{
		Name: "DVD, one layer",
		// ECMA-267 10.6.1: diameter 48.0 mm, +0.0/−0.4. Recordable discs keep
		// to −0.2 (ECMA-359 10.7.1.2).
		Inner: Tolerance{24.0, 23.8, 24.0},
		Outer: 58.0, // ECMA-267 10.6: diameter at most 116.0 mm
		// ECMA-359 10.8; locally ± 0.03 µm.
		Pitch: Tolerance{0.74, 0.73, 0.75}.scaled(mmPerUm),
		// ECMA-267 types A and B, ECMA-359 10.9.
		Bit: Tolerance{133.3, 131.9, 134.7}.scaled(mmPerNm),
		// 26 SYNC frames of 32 + 91·16 channel bits [memory for the parts].
		SectorBits: 26 * (32 + 91*16),
		BitRate:    26.15625e6, // [memory]; printed as 26.16 Mbit/s
		Aperture:   0.60,
		Index:      1.55,           // ± 0.10, ECMA-267 11.3 [memory]
		Depth:      []float64{0.6}, // half of 1.2 mm; 0.57–0.643 [memory]
	}
	if layers > 1 {
		m.Name = "DVD, two layers"
		m.Bit = Tolerance{146.7, 145.2, 148.2}.scaled(mmPerNm) // ECMA-267 types C and D
		// The spacer is 0.055 ± 0.015 mm thick; both layers lie between 0.550
		// and 0.640 mm deep (ECMA-267 11.2 [memory]), so the second may well be
		// 0.02 mm nearer than the sum taken here.
		m.Depth = []float64{0.6, 0.655}
	}
	return m
}

// Scanning velocities of CDs, in m/s: a disc is cut at one of them or between,
// even to ± 0.01 within the disc [memory for that].
const (
	CDSlowest = 1.20
	CDFastest = 1.40
)

// CD is a CD that was cut at a scanning velocity in m/s. Nothing on a disc tells
// the velocity; full discs are cut slowly, or they would not fit.
func CD(velocity float64) Medium {
	const rate = 588 * 98 * 75 // channel bits of a frame, frames of a sector, sectors a second
	return Medium{
		Name: fmt.Sprintf("CD, %.2f m/s", velocity),
		// The program area begins at a diameter of 50 mm; −0.4 [memory]. Its
		// first 150 sectors come before LBA 0 and take 0.02 mm.
		Inner:      Tolerance{25.0, 24.8, 25.0},
		Outer:      58.0,
		Pitch:      Tolerance{1.6, 1.5, 1.7}.scaled(mmPerUm), // ± 0.1 [memory]
		Bit:        Tolerance{velocity, velocity - 0.01, velocity + 0.01}.scaled(1000.0 / rate),
		SectorBits: 588 * 98,
		BitRate:    rate,
		Aperture:   0.45,
		Index:      1.55, // polycarbonate [memory]
		Depth:      []float64{1.2},
	}
}

// BD is a Blu-ray disc with 25 GB on each of one or two layers, or with three
// (100 GB) or, where layers is 4 or more, four (128 GB).
func BD(layers int) Medium {
	m := Medium{
		Name:  "BD",
		Inner: Tolerance{24.0, 23.8, 24.0}, // [memory]
		Outer: 58.0,                        // [memory]
		Pitch: Tolerance{0.32, 0.317, 0.323}.scaled(mmPerUm),
		// 4.917 m/s at 66 MHz; the tolerances of pitch and bit are [memory].
		Bit: Tolerance{74.5, 73.76, 75.25}.scaled(mmPerNm),
		// 498 frames of 1932 channel bits in a cluster of 32 sectors, run-in and
		// run-out included [memory]; 66 MHz and 4,495,625 user bytes a second
		// give the same within 1e-5.
		SectorBits: 498 * 1932 / 32.0,
		BitRate:    66e6,
		Aperture:   0.85,
		Index:      1.6,
		Depth:      []float64{0.1, 0.075}, // [memory]
	}
	// The denser discs: bit length computed from their capacities, which are
	// [memory] as well, and so are their layers' depths.
	switch {
	case layers == 3:
		m.Bit = m.Bit.scaled(12_219_392 / (48_878_592.0 / 3))
		m.Depth = []float64{0.1, 0.075, 0.057}
	case layers > 3:
		m.Bit = m.Bit.scaled(12_219_392 / (62_500_864.0 / 4))
		m.Depth = []float64{0.1, 0.0845, 0.065, 0.0535}
	}
	return m
}

// Shape is the nominal shape of a disc whose layers hold so many sectors.
// Opposite tells the track path of several layers.
func (m Medium) Shape(opposite bool, layers ...int64) Shape {
	return Shape{
		Inner:    m.Inner.Nominal,
		Pitch:    m.Pitch.Nominal,
		Sector:   m.SectorBits * m.Bit.Nominal,
		Layers:   layers,
		Opposite: opposite,
	}
}

// Velocity is the scanning velocity at 1x in m/s.
func (m Medium) Velocity() float64 { return m.Bit.Nominal / 1000 * m.BitRate }

// Beam is the diameter of the beam where it enters the disc on its way to a
// layer, in mm: that of the marginal ray, 2·depth·tan(asin(aperture/index)).
// Layers below or above those of the medium count as the nearest.
func (m Medium) Beam(layer int) float64 {
	return BeamDiameter(m.Depth[min(max(0, layer), len(m.Depth)-1)], m.Aperture, m.Index)
}

// BeamDiameter is the diameter of the beam at the entrance surface of a disc
// whose data lies depth below it, in the unit of depth.
func BeamDiameter(depth, aperture, index float64) float64 {
	return 2 * depth * math.Tan(math.Asin(aperture/index))
}

// densest bounds how much more than nominal a disc may hold before it is taken
// for a mistake. Of the overlong CDs that were sold, the longest (99 minutes)
// need 0.754 [computed].
const densest = 0.75

// Nominal is the track of a disc as far as the program can know it beforehand.
// The kind is "cd", "dvd" or "bd"; any other is taken for a DVD. Layers gives
// the sectors of each layer in order of address. A disc that would not end
// within the data zone is denser than nominal: its pitch is taken so much
// smaller that it ends there. An error is returned when no disc of the kind
// holds so many sectors, or when the layers make no track (see New).
func Nominal(kind string, opposite bool, layers ...int64) (*Track, error) {
	var m Medium
	switch kind {
	case "cd":
		m = CD(CDSlowest)
	case "bd":
		m = BD(len(layers))
	default:
		m = DVD(len(layers))
	}
	s := m.Shape(opposite, layers...)
	var longest int64
	for _, n := range layers {
		longest = max(longest, n)
	}
	if room := s.Capacity(m.Outer); longest > room {
		by := float64(room) / float64(longest)
		if by < densest {
			return nil, fmt.Errorf("%s: a layer holds about %d sectors, not %d", m.Name, room, longest)
		}
		s.Pitch *= by
	}
	t, err := New(s)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", m.Name, err)
	}
	return t, nil
}

// GuessLayers is how a disc's sectors may lie in layers where nothing tells: in as few
// as can hold them, in even shares of whole blocks, the first ones a little larger.
func GuessLayers(kind string, sectors, block int64) []int64 {
	const most = 4 // layers of a BD
	var layers []int64
	for n := int64(1); n <= most; n++ {
		layers = layers[:0]
		share := ((sectors+n-1)/n + block - 1) / block * block
		for left := sectors; left > 0; left -= share {
			layers = append(layers, min(left, share))
		}
		if _, err := Nominal(kind, true, layers...); err == nil {
			break
		}
	}
	return layers
}
