package imager

import (
	"fmt"

	"turnstone/imager/plan/marks"
)

// Marks along a larger one are listed with it while they are thin and cost little of what
// it does.
const (
	thinFringe  = .12 // mm
	smallFringe = .3
)

// listedMark is a mark as it is listed, with those along it.
type listedMark struct {
	at    int // of the marks it is one of
	along int // marks
	costs int64
}

// inWords says what is listed with a mark; "" where nothing is.
func (l listedMark) inWords() string {
	switch l.along {
	case 0:
		return ""
	case 1:
		return "with a thin one along it"
	}
	return fmt.Sprintf("with %d thin ones along it", l.along)
}

// listed are marks, the costliest of which come first, as they are listed; those along
// another only with one that is alike.
func listed(all []marks.Mark, alike func(a, b int) bool) []listedMark {
	var out []listedMark
next:
	for i, m := range all {
		for k := range out {
			large := &all[out[k].at]
			if m.Outer-m.Inner <= thinFringe && float64(m.Costs) <= smallFringe*float64(large.Costs) && alike(i, out[k].at) && m.Fringes(*large) {
				out[k].along++
				out[k].costs += m.Costs
				continue next
			}
		}
		out = append(out, listedMark{i, 0, m.Costs})
	}
	return out
}
