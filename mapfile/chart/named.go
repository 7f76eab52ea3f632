package chart

import (
	"fmt"
	"math"
)

// Places that name their mark.
const (
	slip      = 1e-6 // likelihood of a place that names its mark and is far from it: a slip of who told it
	partLeast = 2.0  // mm of radius that a mark's course spans, from which on the radius tells which part of it is meant
	onePart   = 1.0  // mm of radius within which a mark that was told twice was told of one part: nothing sways there
)

// Misnamed is the error of FitTurn for a place that can't be of the mark that it names.
type Misnamed struct {
	Place Place
	Why   string // the sentence, without "mark N"
}

func (e Misnamed) Error() string { return fmt.Sprintf("mark %d %s", e.Place.Mark, e.Why) }

// look takes in the places and what they may be of. Of a place that names its mark and not
// the radius, that is the mark's.
func (f *fitter) look(seen []Place, marks []Mark) error {
	f.seen, f.pair, f.sure = append([]Place(nil), seen...), make([]int, len(seen)), make([]int, len(seen))
	taken, most := make([]bool, len(marks)), int64(1)
	for i, s := range f.seen {
		f.sure[i] = -1
		if s.Mark == 0 {
			continue
		}
		switch listed := min(len(marks), MostListed); {
		case listed == 0:
			return Misnamed{s, "is not on the map, on which no mark was found"}
		case s.Mark > listed:
			return Misnamed{s, fmt.Sprintf("is not on the map, which numbers %d", listed)}
		}
		m := marks[s.Mark-1]
		if m.whole() {
			return Misnamed{s, "goes all the way round, so it lies at no angle: name another"}
		}
		t := target{mark: s.Mark - 1, at: m.middle(), wide: m.To - m.From, few: m.few()}
		switch {
		case s.Radius == 0:
			f.seen[i].Radius = t.at.Radius
		case s.Radius < m.Inner-mostRadiusOff || s.Radius > m.Outer+mostRadiusOff:
			return Misnamed{s, fmt.Sprintf("lies at %s mm on the map, not at %s", span(m), decimal(s.Radius, 1))}
		default:
			if at, ok := m.part(s.Radius); ok {
				t.at, t.wide = at, 0
			}
		}
		taken[t.mark], f.sure[i] = true, len(f.named)
		f.named = append(f.named, f.swayed(t))
	}
	for i, m := range marks {
		if m.whole() || m.Aside {
			continue
		}
		most = max(most, m.Costs)
		if !taken[i] {
			f.found = append(f.found, f.swayed(target{mark: i, at: m.middle(), wide: m.To - m.From, few: m.few()}))
		}
	}
	for i, m := range f.found {
		f.found[i].rare = math.Log(float64(most) / float64(max(1, marks[m.mark].Costs)))
	}
	f.taken = make([]bool, len(f.found))
	return f.twice()
}

// swayed is a target with how ways move it.
func (f *fitter) swayed(t target) target {
	for _, w := range f.ways {
		t.ways = append(t.ways, w(t.at.Radius))
	}
	return t
}

// part is the place at a radius of a mark's course; not ok where the radius does not tell
// it, since the course runs along the track, comes by the radius twice, or is none.
func (m Mark) part(mm float64) (at Polar, ok bool) {
	if len(m.Line) < 2 || m.Outer-m.Inner < partLeast {
		return Polar{}, false
	}
	least, out := math.Inf(1), m.Line[len(m.Line)-1].Radius > m.Line[0].Radius
	for i := range len(m.Line) - 1 {
		a, b := m.Line[i], m.Line[i+1]
		if b.Radius != a.Radius && b.Radius > a.Radius != out {
			return Polar{}, false
		}
		x := 0.0
		if a.Radius != b.Radius {
			x = min(max(0, (mm-a.Radius)/(b.Radius-a.Radius)), 1)
		}
		p := Polar{a.Radius + x*(b.Radius-a.Radius), a.Angle + x*math.Remainder(b.Angle-a.Angle, 1)}
		if d := math.Abs(p.Radius - mm); d < least {
			at, least = p, d
		}
	}
	return at, true
}

// twice is the error of a mark that was named for two places at which it can't be at once,
// from whichever side.
func (f *fitter) twice() error {
	for i, s := range f.seen {
		for k, o := range f.seen[:i] {
			if s.Mark == 0 || s.Mark != o.Mark {
				continue
			}
			a, b := &f.named[f.sure[i]], &f.named[f.sure[k]]
			fits := math.Abs(a.at.Radius-b.at.Radius) > onePart // whether that is so the fit tells
			for _, side := range f.from {
				// By o, where s would be.
				turn := side.onDisc(o.Clock, 0) - b.at.Angle
				fits = fits || !a.beyond(s, math.Remainder(side.onPaper(a.at.Angle, turn)-s.Clock, 1))
			}
			if !fits {
				return Misnamed{s, fmt.Sprintf("can't lie at %s and at %s at once", o.Time(), s.Time())}
			}
		}
	}
	return nil
}

// beyond tells whether a place lies so far off a mark, by turns, that it can't be told of
// it: as seldom as it was a slip.
func (m *target) beyond(s Place, da float64) bool {
	_, all := m.likely(s, da)
	return all < 2*slip
}

// misnamed is the error of a fit by which a place lies far off the mark that it names.
func (f *fitter) misnamed(o *Fit) error {
	for i, s := range f.seen {
		if f.sure[i] < 0 {
			continue
		}
		m := &f.named[f.sure[i]]
		da := m.left(o, s)
		if !m.beyond(s, da) {
			continue
		}
		others := "the others lie where they were seen"
		if len(f.seen) == 2 && len(f.named) == 2 {
			other := f.seen[1-i]
			others = fmt.Sprintf("mark %d lies at %s", other.Mark, other.Time())
		}
		return Misnamed{s, fmt.Sprintf("can't lie at %s when %s: it would be %s mm from there; look again which mark that is",
			s.Time(), others, decimal(2*math.Pi*s.Radius*math.Abs(da), 0))}
	}
	return nil
}

// span is a mark's extent in radius.
func span(m Mark) string {
	if in, out := decimal(m.Inner, 1), decimal(m.Outer, 1); in != out {
		return in + "–" + out
	}
	return decimal(m.Inner, 1)
}
