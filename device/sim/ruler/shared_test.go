package ruler

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/device/sim"
)

// What another program measured that follows the same rules with draws of its
// own: in the first round with the first drive, the seconds until 90 and 99 % of
// the readable were good, and the mean. The scenarios lie where TURNSTONE_SHARED
// says; they are no part of this project.
var measured = []struct {
	scenario   string
	unreadable float64 // per cent of the blocks
	times      map[string][3]float64
}{
	{"light", 0.3, map[string][3]float64{"straight": {646, 665, 299}, "stretches": {339, 358, 192}, "oracle": {279, 299, 171}}},
	{"moderate", 1.9, map[string][3]float64{"straight": {11_166, 11_186, 7_568}, "stretches": {8_902, 9_940, 6_100}, "oracle": {283, 308, 174}}},
	{"heavy", 27.7, map[string][3]float64{"straight": {48_458, 48_473, 23_952}, "stretches": {19_320, 41_426, 7_111}, "oracle": {524, 598, 269}}},
	{"rounds", 14.4, map[string][3]float64{"straight": {52_159, 52_173, 17_399}, "stretches": {22_091, 41_390, 8_935}, "oracle": {221, 308, 131}}},
}

func TestAnotherProgramMeasuredTheSame(t *testing.T) {
	shared := os.Getenv("TURNSTONE_SHARED")
	if shared == "" {
		t.Skip("TURNSTONE_SHARED names no folder with the other program's scenarios")
	}
	var table strings.Builder
	for _, m := range measured {
		s, err := sim.Load(filepath.Join(shared, "scenarios", m.scenario+".json"))
		if err != nil {
			t.Fatal(err)
		}
		s.Rounds, s.Drives = s.Rounds[:1], s.Drives[:1]
		d, err := sim.New(s)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range yardsticks {
			order, _ := Yardstick(name)
			rep, err := Job{Disc: d, Order: order, Name: name}.Run(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			f := rep.Passes[0].Figures
			unreadable := 100 * float64(f.Missing-f.Readable) / float64(f.Missing)
			if math.Abs(unreadable-m.unreadable) > 0.05 {
				t.Errorf("%s: %.3f %% unreadable; want %v", m.scenario, unreadable, m.unreadable)
			}
			fmt.Fprintf(&table, "%-8s %-9s %6.2f %% unreadable", m.scenario, name, unreadable)
			for i, got := range []*float64{f.T90, f.T99, f.Mean} {
				want := m.times[name][i]
				if got == nil || math.Abs(*got/want-1) > 0.05 {
					t.Errorf("%s by %s: time %d = %v; want %v within 5 %%", m.scenario, name, i, number(got), want)
					continue
				}
				fmt.Fprintf(&table, "  %6.0f (%+.1f %%)", *got, 100*(*got/want-1))
			}
			table.WriteString("\n")
		}
	}
	t.Logf("seconds until 90 %%, 99 %%, mean (against the other program's):\n%s", table.String())
}
