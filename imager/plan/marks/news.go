package marks

import "math"

// How much of a mark's blocks must have come.
const (
	goneShare   = .95
	shrunkShare = .2
	sameRadius  = .25       // mm by which marks may lie apart and be the same
	sameAngle   = 10. / 360 // turns
)

// Compare says of the marks of a round how they fare against those of the round
// before, and gives the marks of before that are gone. That is told by the blocks that
// they explained, since what is left of a mark may look like several. What was not asked
// for on the surface of then, or of now, says nothing.
func (f *Found) Compare(before Found, then, now *Sights) (gone []Mark) {
	for i := range f.Marks {
		m := &f.Marks[i]
		b, ok := m.Before(before)
		switch {
		case !ok && (m.fresh || 2*m.asked(then) > len(m.blocks)):
			m.News = New
			continue
		case !ok:
			m.News = Unknown
			continue
		}
		switch left, ok := before.Marks[b].Left(now); {
		case !ok:
			m.News = Unknown
		case left <= 1-shrunkShare:
			m.News = Shrunk
		default:
			m.News = Same
		}
	}
	for _, m := range before.Marks {
		if left, ok := m.Left(now); ok && left <= 1-goneShare && m.asked(now) == len(m.blocks) {
			m.News = Gone
			gone = append(gone, m)
		}
	}
	return gone
}

// Left is the share of a mark's blocks that failed once more in a later round, of those
// that were asked for; not ok where that were less than half.
func (m *Mark) Left(now *Sights) (share float64, ok bool) {
	asked, bad := m.asked(now), 0
	for _, b := range m.blocks {
		if now.state[b] == failed {
			bad++
		}
	}
	if 2*asked < len(m.blocks) || asked == 0 {
		return 0, false
	}
	return float64(bad) / float64(asked), true
}

// asked is how many of a mark's blocks came, or failed, by another round's sights.
func (m *Mark) asked(now *Sights) int {
	n := 0
	for _, b := range m.blocks {
		if now.state[b] != unseen {
			n++
		}
	}
	return n
}

// Before is the mark of a round before that lies where the mark does: of several the one
// that explained most of its blocks, then the costliest; not ok where none does.
func (m *Mark) Before(f Found) (n int, ok bool) {
	most := -1
	for i, o := range f.Marks {
		if !m.over(o) {
			continue
		}
		if shared := common(m.blocks, o.blocks); shared > most {
			n, most = i, shared
		}
	}
	return n, most >= 0
}

// common is how many numbers two sorted lists share.
func common(a, b []int) (n int) {
	for len(a) > 0 && len(b) > 0 {
		switch {
		case a[0] < b[0]:
			a = a[1:]
		case b[0] < a[0]:
			b = b[1:]
		default:
			n++
			a, b = a[1:], b[1:]
		}
	}
	return n
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
