package main

import (
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// BenchmarkChart is the program drawing the map of a disc of two layers with some 100,000
// runs, from its start to its end: beside the time on the clock the processors' time, which
// other work on the machine distorts less. The flag -benchtime 20x gives fair ones.
func BenchmarkChart(b *testing.B) {
	dir := roughCase(b)
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
				cmd := exec.Command(program(b), args...)
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

// roughCase is a case with the map of a disc of two layers with some 100,000 runs: blocks
// that fail, and single ones that come between them, in a pattern that keeps to no angle.
func roughCase(b *testing.B) string {
	const half = 2_080_000
	d := mapfile.Disc{Kind: "dvd", Sectors: 2 * half, BlockSectors: 16, Layers: []int64{half, half}}
	d.Written.Add(sector.Span(0, d.Sectors))
	dir := filepath.Join(b.TempDir(), "rough")
	c, err := imager.Create(dir, imager.Writer{CaseID: "rough", Now: time.Now}, d)
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
	m.AddDrive(mapfile.Drive{Node: "A"})
	pass, err := m.AddPass(mapfile.Pass{Seconds: 5000, How: imager.HowComplete})
	if err != nil {
		b.Fatal(err)
	}
	sums := make([]uint32, 16)
	for i := range sums {
		sums[i] = uint32(i) * 0x9E3779B1
	}
	for a := sector.LBA(0); a < 2*half; a += 16 {
		run := mapfile.Run{Range: sector.Span(a, 16), Result: mapfile.Delivered, Attempts: 1}
		of := sums
		if a/16%5 < 2 && a/16%3 > 0 {
			run.Result, of = mapfile.Failed, nil
		}
		if _, err := m.Record(pass, run, of); err != nil {
			b.Fatal(err)
		}
	}
	if err := m.Commit(filepath.Join(dir, "map.db")); err != nil {
		b.Fatal(err)
	}
	return dir
}
