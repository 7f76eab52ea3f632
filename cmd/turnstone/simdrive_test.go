package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/imager"
	"turnstone/mapfile"
)

func TestIsSimulated(t *testing.T) {
	for node, want := range map[string]bool{
		"disc.json:A": true, "disc.json": true, "a/b.json:drive 2": true, "disc.iso": false, "/dev/sr0": false,
		"disc.jsonx": false, "json:A": false,
	} {
		if got := isSimulated(node); got != want {
			t.Errorf("isSimulated(%q) = %v; want %v", node, got, want)
		}
	}
}

// The embedded scenario is one, and is what the files of the demo say.
func TestDemoScenario(t *testing.T) {
	s, err := sim.Parse(demoScenario)
	if err != nil {
		t.Fatal(err)
	}
	if s.Sectors != demoSectors {
		t.Errorf("the demo's disc has %d sectors; want %d", s.Sectors, demoSectors)
	}
	for _, name := range []string{"A", "B"} {
		if _, ok := s.Drive(name); !ok {
			t.Errorf("the demo has no drive %s", name)
		}
	}
	if len(s.Rounds) != 3 {
		t.Errorf("the demo has %d rounds; want 3", len(s.Rounds))
	}
}

// Another pass over the same surface draws other noise: what is just readable comes
// in one and not in another.
func TestOpeningsDiffer(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "marginal.json")
	const scenario = `{"name": "marginal", "seed": 1, "disc": {"kind": "dvd", "sectors": 1600, "content": {"noise": true}},
		"marks": [{"haze": {"region_mm": [20, 60], "density": 0.67}}],
		"drives": [{"name": "A", "retries": 0}], "rounds": [{"treatments": []}]}` // invented
	if err := os.WriteFile(path, []byte(scenario), 0o600); err != nil {
		t.Fatal(err)
	}
	came := func(pass int) (blocks string) {
		r, err := openSimulated(path+":A", 0, pass)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		for b := range int64(100) {
			if err := r.Ask(sector.Span(sector.LBA(b*16), 16)); err != nil {
				t.Fatal(err)
			}
			a, err := r.Answer(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			blocks += map[bool]string{true: "1", false: "0"}[a.Err == nil]
		}
		return blocks
	}
	first, again, second := came(0), came(0), came(1)
	if first != again {
		t.Errorf("pass 0 brought %s, and once more %s; want the same", first, again)
	}
	if first == second {
		t.Errorf("pass 0 and pass 1 both brought %s; want them to differ", first)
	}
}

// Practice may run ahead of the clock, and the next pass goes on where the last
// ended.
func TestPractisedCases(t *testing.T) {
	m := mapfile.New("x")
	m.AddRound(mapfile.Round{})
	if practised(m) {
		t.Error("practised(a new map) = true; want false")
	}
	m.AddDrive(mapfile.Drive{Vendor: sim.Vendor, Model: "drive", Serial: "A"})
	if !practised(m) {
		t.Error("practised(a map with a simulated drive) = false; want true")
	}
	ended := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	if _, err := m.AddPass(mapfile.Pass{Started: ended.Add(-time.Minute), Ended: ended, How: imager.HowComplete}); err != nil {
		t.Fatal(err)
	}
	if got := imager.LastEntry(m); !got.Equal(ended) {
		t.Errorf("LastEntry() = %v; want %v", got, ended)
	}
}
