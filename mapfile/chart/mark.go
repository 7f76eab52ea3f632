package chart

import (
	"fmt"
	"math"
	"strings"

	"turnstone/device/sector"
)

// Mark is a place on the surface that stops the reading, as somebody found it in
// the map. Angles are package spiral's, in turns.
type Mark struct {
	Kind     string  // in words: "scratch", "arc", "blot", "hazy region"
	Inner    float64 // extent, in mm
	Outer    float64
	From, To float64 // To not below From; it may pass 1; a full turn or more is the whole ring
	Line     []Polar // its course, where it is a line; else its extent is drawn
	Costs    int64   // sectors that are missing because of it
	News     string  // against the round before, in words: "new", "shrunk"; "" where nothing can be said
	Note     string  // more in words, such as why it may not lie on the surface
	Aside    bool    // places that name no mark are not taken for it: it lies along a larger one, or its angles don't count with others'
}

// Polar is a point of the surface: a radius in mm and an angle in turns.
type Polar struct{ Radius, Angle float64 }

// MostListed is how many marks are listed, and numbered in the pictures.
const MostListed = 12

// costliest are the first of some marks, as many as are listed, and what is said of the
// others.
func costliest(all []Mark) (listed []Mark, rest string) {
	if len(all) <= MostListed {
		return all, ""
	}
	var costs int64
	for _, m := range all[MostListed:] {
		costs += m.Costs
	}
	return all[:MostListed], fmt.Sprintf("And %d more, which together cost %s sectors.", len(all)-MostListed, sector.Thousands(costs))
}

// middle is the middle of the mark, by the course's middle where it has one.
func (m Mark) middle() Polar {
	if n := len(m.Line); n > 0 {
		if n%2 == 1 {
			return m.Line[n/2]
		}
		a, b := m.Line[n/2-1], m.Line[n/2]
		return Polar{(a.Radius + b.Radius) / 2, a.Angle + math.Remainder(b.Angle-a.Angle, 1)/2}
	}
	return Polar{(m.Inner + m.Outer) / 2, (m.From + m.To) / 2}
}

// whole tells whether the mark goes all the way round.
func (m Mark) whole() bool { return m.To-m.From >= 1 }

// inWords is what the list says of the mark, with its angles as the view has them.
func (m Mark) inWords(v View) string {
	var b strings.Builder
	b.WriteString(m.Kind)
	if in, out := decimal(m.Inner, 1), decimal(m.Outer, 1); in == out {
		fmt.Fprintf(&b, ", %s mm", in)
	} else {
		fmt.Fprintf(&b, ", %s–%s mm", in, out)
	}
	if m.whole() {
		b.WriteString(", all round")
	} else {
		from, to := v.onPaper(m.From), v.onPaper(m.To)
		if v.Side == Label { // the clock runs the other way there
			from, to = to, from
		}
		if a, z := roughly(from), roughly(to); a == z {
			b.WriteString(", " + a)
		} else {
			fmt.Fprintf(&b, ", %s to %s", strings.TrimSuffix(a, " o'clock"), z)
		}
	}
	if m.Costs > 0 {
		fmt.Fprintf(&b, ", costs %s sectors", sector.Thousands(m.Costs))
	}
	for _, more := range []string{m.News, m.Note} {
		if more != "" {
			b.WriteString("; " + more)
		}
	}
	return b.String()
}
