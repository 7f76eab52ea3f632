package imager_test

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var mergeSectors = flag.Int64("merge-sectors", 128<<10, "size of the disc of BenchmarkMerge; 2295104 is a DVD")

// BenchmarkMerge merges two cases on one disk, each of which lacks half of the
// disc, in stretches of 4 MiB, and copies a file of the size of that half with cp
// and syncs it, in turn. All that is read is in the page cache. The figures are
// the medians, and the merge's speed as a part of the copy's; -benchtime 7x gives
// fair ones, -merge-sectors 2295104 those of a whole DVD.
func BenchmarkMerge(b *testing.B) {
	dir := b.TempDir()
	disc := filepath.Join(dir, "disc.iso")
	writeDisc(b, disc, *mergeSectors)
	var even, odd sector.Set
	for at, n := sector.LBA(0), 0; int64(at) < *mergeSectors; at, n = at+2048, n+1 {
		set := []*sector.Set{&even, &odd}[n%2]
		set.Add(sector.Span(at, 2048).Intersect(sector.Span(0, *mergeSectors)))
	}
	other, half := filepath.Join(dir, "other"), filepath.Join(dir, "half")
	makeHalf(b, other, disc, odd)
	writeDisc(b, half, odd.Count())
	bytes := odd.Count() * sector.Size
	var merged, copied []time.Duration
	for i := 0; b.Loop(); i++ {
		into, to := filepath.Join(dir, "case"), filepath.Join(dir, "copy")
		if err := os.WriteFile(to, nil, 0o600); err != nil {
			b.Fatal(err)
		}
		makeHalf(b, into, disc, even)
		for k := range 2 {
			syscall.Sync() // what the one before has left is not this one's to write
			for _, done := range []string{disc, filepath.Join(into, "image.iso"), to} {
				forget(b, done)
			}
			began := time.Now()
			if (i+k)%2 == 0 {
				mergeCase(b, into, other)
				merged = append(merged, time.Since(began))
			} else {
				copyFile(b, half, to)
				copied = append(copied, time.Since(began))
			}
		}
		if err := os.RemoveAll(into); err != nil {
			b.Fatal(err)
		}
		if err := os.Remove(to); err != nil {
			b.Fatal(err)
		}
	}
	b.Logf("merge %v", merged)
	b.Logf("cp    %v", copied)
	b.ReportMetric(float64(bytes)/1e6/median(merged), "merge-MB/s")
	b.ReportMetric(float64(bytes)/1e6/median(copied), "cp-MB/s")
	b.ReportMetric(median(copied)/median(merged), "of-cp")
	b.ReportMetric(slices.Min(copied).Seconds()/slices.Min(merged).Seconds(), "of-cp-best")
	b.ReportMetric(0, "ns/op")
}

// writeDisc writes a file of so many sectors, each peculiar.
func writeDisc(b *testing.B, path string, sectors int64) {
	b.Helper()
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	buf := make([]byte, 512*sector.Size)
	for at := sector.LBA(0); int64(at) < sectors; {
		n := min(512, sectors-int64(at))
		for i := range n {
			devicetest.Pattern(at+sector.LBA(i), buf[i*sector.Size:][:sector.Size])
		}
		if _, err := f.Write(buf[:n*sector.Size]); err != nil {
			b.Fatal(err)
		}
		at += sector.LBA(n)
	}
	if err := f.Close(); err != nil {
		b.Fatal(err)
	}
}

// forget has the page cache give up a file: the memory for what comes next is then
// some that was in use until now. A virtual machine's kernel gets other memory anew
// from its host, page by page, at a third of the speed at which it is filled.
func forget(b *testing.B, path string) {
	b.Helper()
	f, err := os.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	if err := unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED); err != nil {
		b.Fatal(err)
	}
}

var benchWriter = imager.Writer{CaseID: "bench", Now: time.Now}

// makeHalf makes a case that has only some sectors of a disc.
func makeHalf(b *testing.B, dir, disc string, good sector.Set) {
	b.Helper()
	c, err := imager.Create(dir, benchWriter, mapfile.Disc{
		Kind: "unknown", Sectors: *mergeSectors, BlockSectors: 16, Written: sector.Of(sector.Span(0, *mergeSectors))})
	if err != nil {
		b.Fatal(err)
	}
	s, err := imager.OpenImageSource(disc, good)
	if err != nil {
		b.Fatal(err)
	}
	mergeInto(b, c, s)
}

func mergeCase(b *testing.B, into, other string) {
	c, err := imager.Open(into, benchWriter)
	if err != nil {
		b.Fatal(err)
	}
	s, err := imager.OpenSource(other, into)
	if err != nil {
		b.Fatal(err)
	}
	mergeInto(b, c, s)
}

// mergeInto merges and closes both.
func mergeInto(b *testing.B, c *imager.Case, s *imager.Source) {
	b.Helper()
	res, err := c.Merge(b.Context(), imager.Merging{Sources: []*imager.Source{s}})
	if err != nil || res.How != imager.HowComplete || res.From[0].Won == 0 {
		b.Fatalf("Merge() = %+v, %v; want complete, nil", res, err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	if err := c.Close(); err != nil {
		b.Fatal(err)
	}
}

func copyFile(b *testing.B, from, to string) {
	b.Helper()
	if out, err := exec.CommandContext(b.Context(), "cp", "--reflink=never", from, to).CombinedOutput(); err != nil {
		b.Fatalf("cp: %v: %s", err, out)
	}
	f, err := os.Open(to)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		b.Fatal(err)
	}
}
