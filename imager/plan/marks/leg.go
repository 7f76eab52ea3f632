package marks

import (
	"math"

	"turnstone/device/spiral"
)

// leg is the track of one layer in ECC blocks, counted from 0 where it begins. A
// block takes the turns that its length takes on its circle, and since the square of
// the radius grows evenly along the track, so does that of the blocks of a turn: two
// numbers, those where it begins and where it ends, make all angles.
type leg struct {
	first        int // block of the disc
	blocks       int
	length       float64 // of a block along the track, in mm, nominal
	begins, ends float64 // nominal radii, in mm
	from, to     float64 // blocks of a turn where it begins and where it ends
	zero         float64 // turns at which it begins: 0 unless it was brought to another's
}

// legsOf are the legs of a disc's nominal track.
func legsOf(t *spiral.Track, block int64) []leg {
	var all []leg
	length := t.Shape().Sector * float64(block)
	for i := range t.Layers() {
		r := t.Layer(i)
		a, b := t.At(float64(r.First)).Radius, t.At(float64(r.End)-1e-6).Radius
		all = append(all, leg{
			first: int(int64(r.First) / block), blocks: int((r.Count() + block - 1) / block),
			length: length, begins: a, ends: b,
			from: 2 * math.Pi * a / length, to: 2 * math.Pi * b / length,
		})
	}
	return all
}

// turn is the turns at block k, which may be a fraction:
//
//	turn(k) = zero + 2k / (from + √(from² + (to² − from²)·k/blocks))
func (l *leg) turn(k float64) float64 { return l.zero + 2*k/(l.from+l.perTurn(k)) }

// perTurn is how many blocks a turn holds at block k.
func (l *leg) perTurn(k float64) float64 {
	x := k / float64(l.blocks)
	return math.Sqrt(l.from*l.from*(1-x) + l.to*l.to*x)
}

// at is the block at a turn, the inverse of turn:
//
//	k = t·from + t²·(to² − from²)/(4·blocks), t = turn − zero
func (l *leg) at(turn float64) float64 {
	turn -= l.zero
	return turn*l.from + turn*turn*(l.to*l.to-l.from*l.from)/(4*float64(l.blocks))
}

// radius is the radius at block k, in mm.
func (l *leg) radius(k float64) float64 {
	x := k / float64(l.blocks)
	return math.Sqrt(l.begins*l.begins*(1-x) + l.ends*l.ends*x)
}

// near is the block at a radius in mm, or the nearest to it: the inverse of radius.
func (l *leg) near(mm float64) float64 {
	if l.begins == l.ends {
		return 0
	}
	x := (mm*mm - l.begins*l.begins) / (l.ends*l.ends - l.begins*l.begins)
	return min(max(0, x), 1) * float64(l.blocks)
}

// stretched is the leg whose turns hold more blocks by small shares, where it begins
// and where it ends.
func (l leg) stretched(s stretch) leg {
	l.from *= 1 + s.u
	l.to *= 1 + s.v
	return l
}

// stretch is by which shares the turns of a leg hold more blocks than they were
// thought to, where it begins and where it ends.
type stretch struct{ u, v float64 }

// at is the share at block k of a leg.
func (s stretch) at(l *leg, k float64) float64 {
	x := k / float64(l.blocks)
	from, to := l.from*l.from*(1-x), l.to*l.to*x
	return (from*s.u + to*s.v) / (from + to)
}

// track is a track of a disc whose layer n has the leg's angles, but for a constant, and
// the leg's nominal radius where the layer begins; only that layer of it is of use.
func (l *leg) track(nominal spiral.Shape, n int, block int64) (*spiral.Track, error) {
	s := nominal
	length := 2 * math.Pi * l.begins / l.from // of a block
	end := l.to * length / (2 * math.Pi)
	s.Sector = length / float64(block)
	s.Pitch = math.Pi * math.Abs(end*end-l.begins*l.begins) / (float64(l.blocks) * length)
	square := l.begins * l.begins
	if s.Opposite { // the layer begins where those before it lead
		for i, sectors := range s.Layers[:n] {
			square += float64(2*(i%2)-1) * float64(sectors) * s.Sector * s.Pitch / math.Pi
		}
	}
	s.Inner = math.Sqrt(max(0, square))
	return spiral.New(s)
}
