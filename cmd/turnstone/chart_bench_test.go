package main

import (
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"turnstone/imager"
	"turnstone/mapfile"
	"turnstone/mapfile/mapfiletest"
)

// BenchmarkChart is the program drawing the map of a disc of two layers with some 100,000
// runs, from its start to its end: beside the time on the clock the processors' time, which
// other work on the machine distorts less. The program is built before anything is timed.
// The flag -benchtime 20x gives fair figures.
func BenchmarkChart(b *testing.B) {
	dir, path := roughCase(b), program(b)
	for _, args := range [][]string{
		{"chart", dir}, {"chart", dir, "--as", "svg", "--out", "-"}, {"chart", dir, "--as", "png", "--out", "-"}, {"chart", dir, "--json"}, {"status", dir},
	} {
		name := args[0]
		for _, a := range args[2:] {
			if a != "--out" && a != "-" {
				name += a
			}
		}
		b.Run(name, func(b *testing.B) {
			var busy time.Duration
			for b.Loop() {
				cmd := exec.Command(path, args...)
				if out, err := cmd.Output(); err != nil || len(out) == 0 {
					b.Fatalf("turnstone %v: %d bytes, %v; want a picture", args, len(out), err)
				}
				busy += cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
			}
			b.ReportMetric(float64(busy.Microseconds())/1e3/float64(b.N), "cpu-ms/op")
			b.ReportMetric(float64(b.Elapsed().Microseconds())/1e3/float64(b.N), "ms/op")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// roughCase is a case with some 100,000 runs.
func roughCase(b *testing.B) string {
	dir := filepath.Join(b.TempDir(), "rough")
	c, err := imager.Create(dir, imager.Writer{CaseID: "rough", Now: time.Now}, mapfiletest.RoughDisc())
	if err != nil {
		b.Fatal(err)
	}
	if err := c.Close(); err != nil {
		b.Fatal(err)
	}
	m, err := mapfile.Open(filepath.Join(dir, "map.db"))
	if err != nil {
		b.Fatal(err)
	}
	mapfiletest.Rough(b, m)
	if err := m.Commit(filepath.Join(dir, "map.db")); err != nil {
		b.Fatal(err)
	}
	return dir
}
