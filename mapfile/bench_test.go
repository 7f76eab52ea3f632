package mapfile

import (
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"turnstone/device/sector"
)

// striped is a map where every second stretch of n sectors is good, the rest
// bad.
func striped(tb testing.TB, n int64) *Map {
	m := newCase(tb, dualLayer)
	for a := int64(0); a < dualLayer; a += 2 * n {
		mustRecord(tb, m, 0, sector.Span(sector.LBA(a), n), Delivered)
		mustRecord(tb, m, 0, sector.Span(sector.LBA(a+n), min(n, dualLayer-a-n)), Failed)
	}
	return m
}

func BenchmarkOpen(b *testing.B) {
	for _, stretch := range []int64{16, 1} {
		b.Run(fmt.Sprintf("stretch=%d", stretch), func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "map.db")
			if err := Create(path, striped(b, stretch)); err != nil {
				b.Fatal(err)
			}
			start, best := cpuTime(b), time.Hour
			for b.Loop() {
				began := time.Now()
				if _, err := Open(path); err != nil {
					b.Fatal(err)
				}
				best = min(best, time.Since(began))
			}
			b.ReportMetric(float64((cpuTime(b)-start).Microseconds())/1e3/float64(b.N), "cpu-ms/op")
			b.ReportMetric(float64(best.Microseconds())/1e3, "best-ms")
			b.ReportMetric(sizeOf(b, path), "MB/file")
		})
	}
}

// cpuTime is what this process has used of the processors, which says more than
// a clock where others use them too.
func cpuTime(tb testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		tb.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func sizeOf(tb testing.TB, path string) float64 {
	info, err := os.Stat(path)
	if err != nil {
		tb.Fatal(err)
	}
	return float64(info.Size()) / 1e6
}

// BenchmarkCommit commits 64 MiB of new sectors at a time until the disc is good,
// then starts again. Best is the fastest commit, which says most where others use
// the machine.
func BenchmarkCommit(b *testing.B) {
	const sectors = 64 << 20 / sector.Size
	for _, places := range []int64{1, 2048} {
		b.Run(fmt.Sprintf("places=%d", places), func(b *testing.B) {
			n, gap := sectors/places, dualLayer/places // of each place, between places
			var m *Map
			var path string
			at, largest, best := gap, 0.0, time.Hour
			for b.Loop() {
				b.StopTimer()
				if at+n > gap {
					m, at = newCase(b, dualLayer), 0
					path = filepath.Join(b.TempDir(), "map.db")
					if err := Create(path, m); err != nil {
						b.Fatal(err)
					}
				}
				for p := range places {
					mustRecord(b, m, 0, sector.Span(sector.LBA(at+p*gap), n), Delivered)
				}
				at += n
				b.StartTimer()
				start := time.Now()
				if err := m.Commit(path); err != nil {
					b.Fatal(err)
				}
				best = min(best, time.Since(start))
				largest = max(largest, sizeOf(b, path))
			}
			b.ReportMetric(largest, "MB/file")
			b.ReportMetric(float64(best.Microseconds())/1e3, "best-ms")
		})
	}
}

// BenchmarkIn takes the good sectors of the worst map as a set, and as ranges.
func BenchmarkIn(b *testing.B) {
	m := striped(b, 1)
	b.Run("set", func(b *testing.B) {
		for b.Loop() {
			if set := m.In(Good); set.Len() != dualLayer/2 {
				b.Fatalf("%d runs", set.Len())
			}
		}
	})
	b.Run("ranges", func(b *testing.B) {
		for b.Loop() {
			n := 0
			for range m.Ranges(Good, sector.Span(0, dualLayer)) {
				n++
			}
			if n != dualLayer/2 {
				b.Fatalf("%d runs", n)
			}
		}
	})
}

// BenchmarkCheck proves the worst map.
func BenchmarkCheck(b *testing.B) {
	path := filepath.Join(b.TempDir(), "map.db")
	if err := Create(path, striped(b, 1)); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		wantSound(b, path)
	}
}

func BenchmarkRecord(b *testing.B) {
	for _, stretch := range []int64{1, 16, 2048} {
		b.Run(fmt.Sprintf("sectors=%d", stretch), func(b *testing.B) {
			m := newCase(b, dualLayer)
			sums := make([]uint32, stretch)
			b.SetBytes(stretch * sector.Size)
			at := int64(0)
			for b.Loop() {
				r := sector.Span(sector.LBA(at), stretch)
				if _, err := m.Record(0, Run{Range: r, Result: Delivered}, sums); err != nil {
					b.Fatal(err)
				}
				at = (at + 2*stretch) % (dualLayer - 2*stretch)
			}
		})
	}
}
