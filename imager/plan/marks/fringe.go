package marks

// Where a mark ends it lets some blocks pass, and what is stopped there by chance looks
// like marks of their own, thin ones along the large one.
const (
	fringeRadius = .1       // mm by which they may be apart
	fringeAngle  = 8. / 360 // turns by which they may reach beyond
)

// Fringes tells whether a mark lies along the edge of a larger one, or in it, so that
// nobody sees it as one of its own.
func (m *Mark) Fringes(large Mark) bool {
	if m.Inner > large.Outer+fringeRadius || large.Inner > m.Outer+fringeRadius {
		return false
	}
	if large.To-large.From >= 1 {
		return true
	}
	at := fraction(m.From - large.From + fringeAngle)
	return m.To-m.From < 1 && at+m.To-m.From <= large.To-large.From+2*fringeAngle
}
