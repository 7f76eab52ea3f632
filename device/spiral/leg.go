package spiral

import (
	"math"

	"turnstone/device/sector"
)

// leg is the track of one layer. In it places are counted from the layer's
// start: k sectors along the track, s turns.
//
//	r(s) = start + dir·(p·s + w(s))           w(s) = b·(cos φ − cos(φ + q·s))
//	S(s) = ∫ r ds                             what the track has passed over, /2π
//	     = start·s + dir·(p·s²/2 + ∫ w ds)
//	k    = 2π·S(s)/L
//
// with q = dir·2πp/λ, the sine's advance in one turn, φ its phase at the start
// of the layer, and b = a/q. Without wander a, b and w are 0.
type leg struct {
	first, count float64 // sectors: whole numbers
	start        float64 // radius
	dir          float64 // +1 outwards, −1 inwards
	turn         float64 // turns at the start
	turns        float64 // length of the leg in turns

	a, b, q, phi float64
	sin, cos     float64 // of phi
}

// leg makes the leg of a layer; its turns are left to the caller.
func (t *Track) leg(first, count int64, start, turn, dir float64) leg {
	l := leg{first: float64(first), count: float64(count), start: start, turn: turn, dir: dir}
	if w := t.shape.Wander; w.Amplitude != 0 {
		l.a = w.Amplitude
		l.q = dir * 2 * math.Pi * t.shape.Pitch / w.Length
		l.b = l.a / l.q
		l.phi = 2 * math.Pi * (w.Phase + (start-t.shape.Inner)/w.Length)
		l.sin, l.cos = math.Sincos(l.phi)
	}
	return l
}

// sectors is what the leg holds.
func (l *leg) sectors() sector.Range {
	return sector.Span(sector.LBA(l.first), int64(l.count))
}

// place is the radius and the turns after k sectors.
//
// Here and in state float64() stands around products: without it the compiler
// may fuse a multiplication with an addition on some machines, and the same
// sector would lie elsewhere there by a bit.
func (l *leg) place(t *Track, k float64) (r, s float64) {
	r = math.Sqrt(max(0, float64(l.start*l.start)+float64(l.dir*k*t.area)))
	s = l.dir * (r - l.start) / t.shape.Pitch
	if l.a == 0 {
		return r, s
	}
	// S(s + d) = S + r·d + dir·pitch·d²/2 + …, solved for d as a series; what is
	// left out is d³ times a third derivative, a·q/6r: 1e-11 turns where d is 1.
	want := k * t.shape.Sector / (2 * math.Pi)
	for range 8 {
		v := l.state(t, s)
		x := (want - v.swept) / v.radius
		c := l.dir * v.pitch / (2 * v.radius)
		d := float64(x * (1 - float64(c*x*(1-float64(2*c*x)))))
		s += d
		r = v.radius + float64(l.dir*d*(v.pitch+float64(d*v.slope/2)))
		if math.Abs(d) < 2 {
			break
		}
	}
	return r, s
}

// state is how things stand after some turns of a leg.
type state struct {
	radius float64
	swept  float64 // S
	pitch  float64
	slope  float64 // change of the pitch in one turn
}

// state is how things stand after s turns.
func (l *leg) state(t *Track, s float64) state {
	p := t.shape.Pitch
	if l.a == 0 {
		return state{l.start + float64(l.dir*p*s), float64(l.start*s) + float64(l.dir*p*s*s/2), p, 0}
	}
	sin, cos := math.Sincos(l.phi + float64(l.q*s))
	w := float64(l.b * (l.cos - cos))
	sum := float64(l.b * (float64(s*l.cos) - (sin-l.sin)/l.q))
	return state{l.start + float64(l.dir*(float64(p*s)+w)), float64(l.start*s) + float64(l.dir*(float64(p*s*s/2)+sum)), p + float64(l.a*sin), l.a * l.q * cos}
}

// along is the sectors after s turns, from 0 to the leg's count.
func (l *leg) along(t *Track, s float64) float64 {
	if !(s > 0) {
		return 0
	}
	k := 2 * math.Pi * l.state(t, min(s, l.turns)).swept / t.shape.Sector
	return min(max(0, k), l.count)
}

// turnsTo is the turns until the track comes to a radius, from 0 to the leg's
// turns.
func (l *leg) turnsTo(t *Track, radius float64) float64 {
	radius = min(max(0, radius), 2*edge)
	s := l.dir * (radius - l.start) / t.shape.Pitch
	if l.a != 0 {
		for range 16 {
			v := l.state(t, s)
			step := l.dir * (radius - v.radius) / v.pitch
			s += step
			if math.Abs(step) < 1e-8 {
				break
			}
		}
	}
	return min(max(0, s), l.turns)
}

// sure is the distance from a sector's ends, in sectors, beyond which along
// leaves no doubt which sector is meant. Its error is below a thousandth of that.
const sure = 1e-4

// begins is the turn at which a sector of the leg begins.
func (l *leg) begins(t *Track, k int64) float64 {
	_, s := l.place(t, float64(k))
	return l.turn + s
}

// from is the first of the leg's sectors, counted from its start, that begins at
// or after a turn; the leg's count where none does. It goes by the turns that
// place gives, to the last bit.
func (l *leg) from(t *Track, turn float64) int64 {
	x := l.along(t, turn-l.turn)
	k := int64(math.Ceil(x))
	if f := float64(k) - x; sure < f && f < 1-sure {
		return k
	}
	for k > 0 && l.begins(t, k-1) >= turn {
		k--
	}
	for k < int64(l.count) && l.begins(t, k) < turn {
		k++
	}
	return k
}

// holds is the sector of the leg, counted from its start, that a turn lies in:
// the last that begins at or before it, or the first where none does.
func (l *leg) holds(t *Track, turn float64) int64 {
	x := l.along(t, turn-l.turn)
	k := int64(x)
	if f := x - float64(k); sure < f && f < 1-sure {
		return k
	}
	k = min(k, int64(l.count)-1)
	for k > 0 && l.begins(t, k) > turn {
		k--
	}
	for k < int64(l.count)-1 && l.begins(t, k+1) <= turn {
		k++
	}
	return k
}

// touching is the leg's sectors of which a part lies between two turns.
func (l *leg) touching(t *Track, from, to float64) sector.Range {
	first := sector.LBA(l.first)
	return sector.Range{First: first + sector.LBA(l.holds(t, from)), End: first + sector.LBA(l.from(t, to))}
}
