package imager

import (
	"fmt"
	"io"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device/sector"
	vt "turnstone/imager/volume/volumetest"
)

// many is a tree of n files of so many bytes each, in folders of 100.
func many(n, size int) vt.File {
	root := vt.File{Dir: true}
	for i := 0; i < n; i += 100 {
		d := vt.File{Name: fmt.Sprintf("folder%04d", i/100), Dir: true}
		for j := i; j < min(n, i+100); j++ {
			name := fmt.Sprintf("picture %06d.jpeg", j)
			d.Children = append(d.Children, vt.File{Name: name, Data: vt.Bytes(name, size)})
		}
		root.Children = append(root.Children, d)
	}
	return root
}

// BenchmarkExtract writes files out of a warm image, and copies the same files with
// cp --reflink=never and sync. "of-cp" is its speed by cp's; the target is 0.7.
func BenchmarkExtract(b *testing.B) {
	for _, c := range []struct {
		name string
		root vt.File
	}{
		{"film=256MiB", vt.File{Dir: true, Children: []vt.File{{Name: "film.vob", Data: vt.Bytes("film", 256<<20)}}}},
		{"photos=100x2MiB", many(100, 2<<20)},
		{"small=5000x8kB", many(5000, 8000)},
	} {
		b.Run(c.name, func(b *testing.B) {
			f := openFiles(b, caseOf(b, vt.ISO(nil, c.root, vt.ISOOptions{RockRidge: true})))
			c.root = vt.File{}
			at := b.TempDir()
			run := func(name string) time.Duration {
				begun := time.Now()
				res, err := f.Extract(b.Context(), filepath.Join(at, name), Extraction{})
				if err != nil || len(res.Damaged) > 0 {
					b.Fatalf("Extract() = %+v, %v; want all whole", res, err)
				}
				return time.Since(begun)
			}
			var ours, theirs time.Duration
			run("source")
			if _, err := io.Copy(io.Discard, io.NewSectionReader(f.f, 0, 1<<40)); err != nil {
				b.Fatal(err)
			}
			exec.Command("sync").Run()
			for n := 0; b.Loop(); n++ {
				ours += run(fmt.Sprint("ours", n))
				exec.Command("sync").Run()
				begun := time.Now()
				if msg, err := exec.Command("cp", "-r", "--reflink=never", filepath.Join(at, "source"), filepath.Join(at, fmt.Sprint("cp", n))).CombinedOutput(); err != nil {
					b.Fatalf("cp: %v: %s", err, msg)
				}
				if err := exec.Command("sync").Run(); err != nil {
					b.Fatal(err)
				}
				theirs += time.Since(begun)
				// Nothing is removed here: ext4 looks for inodes among those that went in
				// the last seconds, which costs more than all the rest.
			}
			b.ReportMetric(theirs.Seconds()/ours.Seconds(), "of-cp")
			b.ReportMetric(ours.Seconds()/float64(b.N), "s-ours")
		})
	}
}

// BenchmarkOpenFiles lists the files of a case, as status does: 20,000 of them, on a
// disc with 5,000 holes. The target is 0.5 s.
func BenchmarkOpenFiles(b *testing.B) {
	image := vt.ISO(nil, many(20000, 3000), vt.ISOOptions{RockRidge: true, Joliet: true})
	var holes []sector.Range
	for i := range int64(5000) {
		holes = append(holes, sector.Span(sector.LBA(2000+i*7), 1))
	}
	dir := caseOf(b, image, holes...)
	b.ReportAllocs()
	for b.Loop() {
		f, err := OpenFiles(dir)
		if err != nil {
			b.Fatal(err)
		}
		var all Tally
		for x := range f.All() {
			all.Add(x)
		}
		if all.Files < 15000 {
			b.Fatalf("%+v; want more files", all)
		}
		f.Close()
	}
}
