package mapfile

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"

	"turnstone/device/sector"
)

// dualLayer is about the number of sectors of a dual-layer DVD (ECMA-267 and
// ECMA-268: 8.5 GB).
const dualLayer = 4_200_000

// Limits for the map of a dual-layer disc.
const (
	mostFile   = 64 << 20
	mostMemory = 100 << 20
)

// fillMemory makes the worst of maps of a dual-layer disc from the empty one in
// dir: every second sector good, committed by 64 MiB scattered over 2,048 places,
// then opened, filled up by a second pass, and opened again. It says the largest
// size of file and memory.
func fillMemory(dir string) error {
	path := filepath.Join(dir, "map.db")
	largest := int64(0)
	commit := func(m *Map) error {
		if err := m.Commit(path); err != nil {
			return err
		}
		info, err := os.Stat(path)
		if err != nil {
			return err
		}
		largest = max(largest, info.Size())
		return nil
	}
	m, err := Open(path)
	if err != nil {
		return err
	}
	// In the first pass stretches of 32 sectors in no order, every second sector
	// in vain; in the second what was left, in order.
	const stretch, perCommit = 32, 2048
	for i, at := range rand.New(rand.NewPCG(1, 1)).Perm(dualLayer / stretch) {
		for a := range sector.LBA(stretch) {
			r := sector.Span(sector.LBA(at*stretch)+a, 1)
			run, sums := Run{Range: r, Result: Failed, Attempts: 1, Took: 150}, []uint32(nil)
			if a%2 == 0 {
				run, sums = Run{Range: r, Result: Delivered, Took: 90}, sumsOf(r, 0)
			}
			if _, err := m.Record(0, run, sums); err != nil {
				return err
			}
		}
		m.AddEvent(Event{Time: day, Kind: FailedRead, Range: sector.Span(sector.LBA(at*stretch), stretch), Text: "medium error 3/11/05: unrecovered read error"})
		if i%perCommit == perCommit-1 {
			if err := commit(m); err != nil {
				return err
			}
		}
	}
	if err := commit(m); err != nil {
		return err
	}
	m = nil
	runtime.GC() // a program opens a map once: what the first half left is not the second's
	if m, err = Open(path); err != nil {
		return err
	}
	pass, err := m.AddPass(Pass{Started: day})
	if err != nil {
		return err
	}
	for a := sector.LBA(1); a < dualLayer; a += 2 {
		r := sector.Span(a, 1)
		if _, err := m.Record(pass, Run{Range: r, Result: Delivered, Took: 90}, sumsOf(r, 0)); err != nil {
			return err
		}
		if a%(64<<20/sector.Size) == 1 {
			if err := commit(m); err != nil {
				return err
			}
		}
	}
	if err := commit(m); err != nil {
		return err
	}
	m = nil
	runtime.GC()
	if m, err = Open(path); err != nil {
		return err
	}
	if m.Count(Good) != dualLayer/stretch*stretch+dualLayer%stretch/2 {
		return fmt.Errorf("%d good", m.Count(Good))
	}
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return err
	}
	_, rest, _ := bytes.Cut(status, []byte("VmHWM:"))
	kb, err := strconv.ParseInt(string(bytes.Fields(rest)[0]), 10, 64)
	if err != nil {
		return err
	}
	fmt.Println(largest, kb<<10)
	return nil
}

// TestSizes holds file and memory of the worst map to their limits.
func TestSizes(t *testing.T) {
	if testing.Short() {
		t.Skip("makes a map of millions of runs")
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "map.db")
	if err := Create(path, newCase(t, dualLayer)); err != nil {
		t.Fatal(err)
	}
	out, err := helperCommand(t, "memory", dir).Output()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var file, memory int64
	if _, err := fmt.Sscan(string(out), &file, &memory); err != nil {
		t.Fatalf("the helper says %q: %v", out, err)
	}
	t.Logf("file at most %.1f MiB, memory at most %.1f MiB", float64(file)/(1<<20), float64(memory)/(1<<20))
	if file > mostFile || memory > mostMemory && !raceDetector {
		t.Errorf("file of %d bytes, memory of %d; want at most %d, %d", file, memory, mostFile, mostMemory)
	}
	wantSound(t, path)
}
