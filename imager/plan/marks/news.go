package marks

import "math"

// How much of a mark's blocks must have come, or be left.
const (
	goneShare   = .95
	shrunkShare = .2
	sameRadius  = .25       // mm by which marks may lie apart and be the same
	sameAngle   = 10. / 360 // turns
)

// Compare says of the marks of a round how they fare against those of the round
// before, and gives the marks of before that are gone. What was not asked for on the
// surface of now says nothing.
func (f *Found) Compare(before Found, now *Sights) (gone []Mark) {
	for i := range f.Marks {
		m := &f.Marks[i]
		switch b, ok := m.Before(before); {
		case !ok:
			m.News = New
		case float64(m.Costs) <= (1-shrunkShare)*float64(before.Marks[b].Costs):
			m.News = Shrunk
		default:
			m.News = Same
		}
	}
	for _, m := range before.Marks {
		cameNow, asked := 0, 0
		for _, b := range m.blocks {
			switch now.state[b] {
			case came:
				cameNow++
				asked++
			case failed:
				asked++
			}
		}
		if asked == len(m.blocks) && float64(cameNow) >= goneShare*float64(asked) {
			m.News = Gone
			gone = append(gone, m)
		}
	}
	return gone
}

// Before is the mark of a round before that lies where the mark does, the costliest of
// several; not ok where none does.
func (m *Mark) Before(f Found) (n int, ok bool) {
	for i, o := range f.Marks {
		if m.over(o) {
			return i, true
		}
	}
	return 0, false
}

// over tells whether two marks lie over each other.
func (m *Mark) over(o Mark) bool {
	if m.Inner > o.Outer+sameRadius || o.Inner > m.Outer+sameRadius {
		return false
	}
	if m.To-m.From >= 1 || o.To-o.From >= 1 {
		return true
	}
	half := (m.To-m.From)/2 + (o.To-o.From)/2 + sameAngle
	return math.Abs(math.Remainder((m.From+m.To)/2-(o.From+o.To)/2, 1)) <= half
}
