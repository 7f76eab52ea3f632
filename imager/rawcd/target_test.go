package rawcd

import (
	"flag"
	"path/filepath"
	"testing"

	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/simtest"
)

var whole = flag.Bool("whole", false, "the whole campaigns, and discs by their real code: takes many minutes")

// mostReadings is how many readings of a sector the target allows.
const mostReadings = 8

// Of the sectors of the scenarios that no READ delivers in a round, with all the drive's
// retries, but of which each reading has fewer than 200 doubtful bytes, at least half
// become good within 8 readings; and what becomes good is what lies on the disc.
func TestTarget(t *testing.T) {
	files, err := filepath.Glob("../../testdata/scenarios/cd/*.json")
	if err != nil || len(files) < 3 {
		t.Fatalf("scenarios: %v, %v; want some", files, err)
	}
	for _, file := range files {
		d := simtest.Load(t, file)
		s := d.Scenario()
		v, err := d.Open(sim.Opening{Real: *whole})
		if err != nil {
			t.Fatal(err)
		}
		var failed, hopeful, good, hopefulGood, used int
		var c Combiner
		for a := sector.LBA(0); int64(a) < s.Sectors; a++ {
			if err := v.Ask(sector.Span(a, 1)); err != nil {
				t.Fatal(err)
			}
			ans, err := v.Answer(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if ans.Err == nil {
				continue
			}
			failed++
			var readings []Reading
			most, n := 0, 0
			out := Outcome{}
			for n = 1; n <= mostReadings; n++ {
				raw, err := v.ReadRaw(t.Context(), a)
				if err != nil {
					most = 1 << 20
					continue
				}
				r := Reading{Data: raw.Data[:], C2: raw.C2[:], Mode: 0}
				most = max(most, r.Doubts())
				if u, _ := r.Clean(a, readings); u != Usable {
					continue
				}
				readings = append(readings, r)
				if out = c.Combine(a, readings); out.Sector != nil {
					break
				}
			}
			if most < 200 {
				hopeful++
			}
			if out.Sector == nil {
				continue
			}
			good++
			used += n
			if most < 200 {
				hopefulGood++
			}
			want := make([]byte, sector.Size)
			if err := d.ReadContent(a, want); err != nil {
				t.Fatal(err)
			}
			if string(out.User()[:sector.Size]) != string(want) { // of form 2 the first of 2,324
				t.Errorf("%s: sector %d was put together wrong", s.Name, a)
			}
		}
		t.Logf("%s: %d sectors failed; %d became good, by %.1f readings each; of %d with fewer than 200 doubtful bytes a reading %d did",
			s.Name, failed, good, float64(used)/float64(max(1, good)), hopeful, hopefulGood)
		if hopefulGood*2 < hopeful {
			t.Errorf("%s: %d of %d sectors became good; want half at least", s.Name, hopefulGood, hopeful)
		}
	}
}
