package ruler

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device/sim"
)

func TestProbe(t *testing.T) {
	for _, name := range []string{"rounds", "heavy"} {
		s, err := sim.Load(filepath.Join(os.Getenv("TURNSTONE_SHARED"), "scenarios", name+".json"))
		if err != nil {
			t.Fatal(err)
		}
		d, _ := sim.New(s)
		for _, o := range []string{"stretches"} {
			began := time.Now()
			rep, trace := run(t, Job{Disc: d}, o)
			t.Log(name, o, time.Since(began))
			for _, p := range rep.Passes {
				t.Logf("%d %s %+v %v %v", p.Round, p.Drive, p.Figures, number(p.T90), number(p.Mean))
			}
			n, zero, parts := 0, 0, 0
			for _, c := range lines[commandLine](t, trace) {
				if c.Outcome == "ok" && c.Count < 16 {
					n++
					dr, _ := s.Drive(c.Drive)
					if x := d.AppendChances(nil, c.Round, c.LBA/16)[dr].Usual; x == 0 {
						zero++
					}
				}
				if c.Outcome == "medium" && c.Good > 0 { parts++ }
			}
			t.Log("suffixes ok", n, "of chance 0:", zero, "parts", parts)
		}
	}
}
