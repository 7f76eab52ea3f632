package plan

import (
	"fmt"
	"strings"
	"testing"

	"turnstone/device/sector"
)

// TestDead: where the prior of a dead part holds, and when the disc counts as one of which
// a part is dead, by rings in which a block came or failed.
func TestDead(t *testing.T) {
	const blocks = 60_000
	d := Disc{Kind: "dvd", Block: 16, Written: sector.Of(sector.Span(0, blocks*16))}
	for _, test := range []struct {
		came, failed []int
		want         string // rings with the prior of a dead part
		dead         bool
	}{
		{nil, nil, "", false},
		{[]int{10, 20}, nil, "", false},
		// One failure: a part of 3 mm either way, nowhere so near to what came.
		{[]int{0}, []int{300}, "172-428", false},
		{[]int{250}, []int{300}, "379-428", false},
		{[]int{250, 350}, []int{300}, "", false},
		// Two in one part: as far again, and nearer.
		{[]int{0}, []int{200, 400}, "33-600", true},
		{[]int{100}, []int{200, 400}, "133-600", true},
		{[]int{100, 440}, []int{200, 400}, "133-407", true},
		// Two, and something came in between: two parts, if any.
		{[]int{300}, []int{150, 450}, "22-171 429-578", false},
		// Three of four in one part, and two of four.
		{[]int{300}, []int{150, 350, 400, 450}, "22-171 333-578", true},
		{[]int{200, 300}, []int{150, 250, 350, 400}, "22-71 429-528", false},
	} {
		name := fmt.Sprintf("came in %v, failed in %v", test.came, test.failed)
		f := newField(legsOf(&d))
		for _, i := range test.came {
			f.add(i, f.rings[i].first)
		}
		for _, i := range test.failed {
			f.add(i, f.rings[i].first)
			f.fail(i, f.rings[i].first, false)
		}
		f.refresh()
		var parts []string
		for i := 0; i < len(f.prior); i++ {
			if from := i; f.prior[i] > float32(f.top) {
				for i+1 < len(f.prior) && f.prior[i+1] > float32(f.top) {
					i++
				}
				parts = append(parts, fmt.Sprintf("%d-%d", from, i))
			}
		}
		if got := strings.Join(parts, " "); got != test.want || f.dead != test.dead {
			t.Errorf("%s: prior of a dead part in rings %q, dead %v; want %q, %v", name, got, f.dead, test.want, test.dead)
		}
	}
}
