package sim

import (
	"fmt"
	"math"
	"testing"
)

// NIST SP 500-252 (2003), section 5.2.1: scratches that run outwards are likely to be
// corrected, those along the track are more likely to be beyond it. Of the same length,
// breadth and depth, one along the track of this disc costs blocks and one across it
// none; and the longer it is along the track, the more.
func TestScratchesAlongTheTrackCostMore(t *testing.T) {
	beyond := func(mark string) (n int) {
		d := disc(t, marked(mark)...)
		for b := range d.Scenario().Blocks() {
			if !d.AppendChances(nil, 0, b)[0].Readable() {
				n++
			}
		}
		return n
	}
	across := func(mm float64) int {
		return beyond(fmt.Sprintf(`{"scratch": {"points_mm": [[%f, 0], [%f, 0]], "width_mm": 0.3, "depth_um": 30}}`, 24.6-mm/2, 24.6+mm/2))
	}
	along := func(mm float64) int {
		return beyond(fmt.Sprintf(`{"arc": {"r_mm": 24.6, "from_deg": 20, "to_deg": %f, "width_mm": 0.3, "depth_um": 30}}`, 20+mm/24.6*180/math.Pi))
	}
	before := 0
	for _, mm := range []float64{8, 12, 20} {
		a, b := across(mm), along(mm)
		if a != 0 || b <= before {
			t.Errorf("%v mm across the track: %d blocks are beyond correction; along it: %d; want none, and more than %d", mm, a, b, before)
		}
		before = b
	}
}
