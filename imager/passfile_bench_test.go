package imager_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

var packSectors = flag.Int64("pack-sectors", 256<<10, "size of the disc of BenchmarkPack and BenchmarkUnpack; 2295104 is a DVD")

// BenchmarkPack packs a whole case and has the command zstd compress its image, in turn, at
// the level that is nearest (-1), as it comes and with a thread for each processor; nothing
// is synced. The figures are medians, and the packing's speed as a part of the command's.
// What video holds is random, as far as a compressor can tell; text is the sources of Go's
// standard library.
func BenchmarkPack(b *testing.B) {
	zstd, err := exec.LookPath("zstd")
	if err != nil {
		b.Skip("no zstd on this machine (Debian: zstd)")
	}
	for what, write := range map[string]func(w io.Writer, n int64) error{"video": writeRandom, "text": writeSources} {
		b.Run(what, func(b *testing.B) {
			dir := b.TempDir()
			into, disc := packedDisc(b, dir, write)
			file, other := filepath.Join(dir, "a.pass"), filepath.Join(dir, "a.zst")
			ways := []func(){
				func() { packTo(b, into, file) },
				func() { run(b, zstd, "-1", "-q", "-f", disc, "-o", other) },
				func() { run(b, zstd, "-1", fmt.Sprintf("-T%d", runtime.GOMAXPROCS(0)), "-q", "-f", disc, "-o", other) },
			}
			took := make([][]time.Duration, len(ways))
			for i := 0; b.Loop(); i++ {
				for k := range ways {
					way := (i + k) % len(ways)
					_, _ = os.Remove(file), os.Remove(other)
					syscall.Sync() // what the one before has left is not this one's to write
					began := time.Now()
					ways[way]()
					took[way] = append(took[way], time.Since(began))
				}
			}
			ways[0]()
			ways[1]()
			packed := median(took[0])
			run(b, zstd, "-t", "-q", file)
			bytes := float64(*packSectors * sector.Size)
			b.ReportMetric(bytes/1e6/packed, "pack-MB/s")
			b.ReportMetric(bytes/1e6/median(took[1]), "zstd-MB/s")
			b.ReportMetric(median(took[1])/packed, "of-zstd")
			b.ReportMetric(median(took[2])/packed, "of-zstd-threads")
			b.ReportMetric(bytes/float64(sizeOf(b, file)), "ratio")
			b.ReportMetric(bytes/float64(sizeOf(b, other)), "zstd-ratio")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// BenchmarkUnpack unpacks a whole case into a new one, and copies the image with cp and
// syncs it, in turn: both end durable. What is read is in the page cache.
func BenchmarkUnpack(b *testing.B) {
	dir := b.TempDir()
	from, disc := packedDisc(b, dir, writeRandom)
	file := filepath.Join(dir, "a.pass")
	packTo(b, from, file)
	var unpacked, copied []time.Duration
	for i := 0; b.Loop(); i++ {
		into, to := filepath.Join(dir, "case"), filepath.Join(dir, "copy")
		for k := range 2 {
			syscall.Sync()
			began := time.Now()
			if (i+k)%2 == 0 {
				s, err := imager.OpenPassFile(file)
				if err != nil {
					b.Fatal(err)
				}
				c, err := imager.Create(into, benchWriter, s.Disc())
				if err != nil {
					b.Fatal(err)
				}
				mergeInto(b, c, s)
				unpacked = append(unpacked, time.Since(began))
			} else {
				copyFile(b, disc, to)
				copied = append(copied, time.Since(began))
			}
		}
		// Memory that was in use until now is what both get next: see forget.
		for _, done := range []string{filepath.Join(into, "image.iso"), to} {
			forget(b, done)
		}
		if err := errors.Join(os.RemoveAll(into), os.Remove(to)); err != nil {
			b.Fatal(err)
		}
	}
	bytes := float64(*packSectors * sector.Size)
	b.ReportMetric(bytes/1e6/median(unpacked), "unpack-MB/s")
	b.ReportMetric(bytes/1e6/median(copied), "cp-MB/s")
	b.ReportMetric(median(copied)/median(unpacked), "of-cp")
	b.ReportMetric(slices.Min(copied).Seconds()/slices.Min(unpacked).Seconds(), "of-cp-best")
	b.ReportMetric(0, "ns/op")
}

func median(all []time.Duration) float64 {
	return slices.Sorted(slices.Values(all))[len(all)/2].Seconds()
}

// packedDisc is a case that has all of a disc, and the disc's image.
func packedDisc(b *testing.B, dir string, write func(w io.Writer, n int64) error) (into, disc string) {
	b.Helper()
	into, disc = filepath.Join(dir, "whole"), filepath.Join(dir, "disc.iso")
	f, err := os.Create(disc)
	if err == nil {
		err = errors.Join(write(f, *packSectors*sector.Size), f.Close())
	}
	if err != nil {
		b.Fatal(err)
	}
	all := sector.Of(sector.Span(0, *packSectors))
	c, err := imager.Create(into, benchWriter, mapfile.Disc{Kind: "unknown", Sectors: *packSectors, BlockSectors: 16, Written: all})
	if err != nil {
		b.Fatal(err)
	}
	s, err := imager.OpenImageSource(disc, all)
	if err != nil {
		b.Fatal(err)
	}
	mergeInto(b, c, s)
	return into, disc
}

func packTo(b *testing.B, dir, file string) {
	b.Helper()
	f, err := os.Create(file)
	if err != nil {
		b.Fatal(err)
	}
	res, err := imager.Pack(context.Background(), dir, f, imager.Packing{Now: time.Now()})
	if err := errors.Join(err, f.Close()); err != nil || res.Sectors != *packSectors {
		b.Fatalf("Pack() = %+v, %v; want %d sectors, nil", res, err, *packSectors)
	}
}

func sizeOf(b *testing.B, file string) int64 {
	b.Helper()
	info, err := os.Stat(file)
	if err != nil {
		b.Fatal(err)
	}
	return info.Size()
}

func run(b *testing.B, command ...string) {
	b.Helper()
	if out, err := exec.CommandContext(b.Context(), command[0], command[1:]...).CombinedOutput(); err != nil {
		b.Fatalf("%s: %v: %s", strings.Join(command, " "), err, out)
	}
}

func writeRandom(w io.Writer, n int64) error {
	_, err := io.CopyN(w, rand.NewChaCha8([32]byte{1}), n)
	return err
}

// writeSources writes n bytes of Go source, from the beginning again where there is no
// more: further apart than any compressor of this speed looks.
func writeSources(w io.Writer, n int64) error {
	out, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return err
	}
	root := strings.TrimSpace(string(out))
	for n > 0 {
		before := n
		err := filepath.WalkDir(filepath.Join(root, "src"), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") {
				return err
			}
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			data = data[:min(n, int64(len(data)))]
			n -= int64(len(data))
			_, err = w.Write(data)
			if err == nil && n == 0 {
				return fs.SkipAll
			}
			return err
		})
		if err != nil {
			return err
		}
		if n == before {
			return errors.New("there are no sources")
		}
	}
	return nil
}
