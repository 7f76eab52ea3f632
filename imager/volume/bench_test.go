package volume

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
	vt "turnstone/imager/volume/volumetest"
)

// sparse is an image of the size of a disc: some bytes at its front, zeros behind.
type sparse struct {
	front []byte
	n     int64
	good  sector.Set
}

func (s *sparse) ReadSector(a sector.LBA, buf []byte) error {
	if !s.good.Contains(a) {
		return &tree.MissingError{Sector: a}
	}
	clear(buf)
	if at := a.Offset(); at < int64(len(s.front)) {
		copy(buf, s.front[at:])
	}
	return nil
}
func (s *sparse) Good() *sector.Set { return &s.good }
func (s *sparse) Sectors() int64    { return s.n }

// manyFiles is a tree of n files in directories of 100. Their data is one byte: what
// counts is the number of entries.
func manyFiles(n int) vt.File {
	root := vt.File{Dir: true}
	for i := 0; i < n; i += 100 {
		d := vt.File{Name: fmt.Sprintf("dir%04d", i/100), Dir: true}
		for j := i; j < min(n, i+100); j++ {
			d.Children = append(d.Children, vt.File{Name: fmt.Sprintf("picture %06d.jpeg", j), Data: []byte{byte(j), 1}})
		}
		root.Children = append(root.Children, d)
	}
	return root
}

// BenchmarkListing lists 20,000 files of a disc of 4.7 GB with 5,000 holes. The
// target is 2 s and 200 MB.
func BenchmarkListing(b *testing.B) {
	const disc = 2298496 // sectors of a DVD of one layer
	root := manyFiles(20000)
	for name, data := range map[string][]byte{
		"rock ridge and joliet": vt.ISO(nil, root, vt.ISOOptions{RockRidge: true, Joliet: true}),
		"udf":                   vt.UDF(root, vt.Plain),
	} {
		for _, holes := range []int{0, 5000} {
			b.Run(fmt.Sprintf("%s, %d holes", name, holes), func(b *testing.B) {
				s := &sparse{front: data, n: disc}
				s.good.Add(sector.Span(0, disc))
				r := rand.New(rand.NewPCG(1, 2))
				all := make([]sector.Range, holes)
				for i := range all {
					// Half of them where the structures are.
					at := r.Int64N(disc)
					if i%2 == 0 {
						at = 600 + r.Int64N(int64(len(data)/sector.Size)-600)
					}
					all[i] = sector.Span(sector.LBA(at), 1)
				}
				missing := sector.Of(all...)
				s.good = s.good.Subtract(&missing)
				files := 0
				b.ReportAllocs()
				for b.Loop() {
					v, err := Open(s, Options{})
					if err != nil {
						b.Fatal(err)
					}
					files = 0
					for range v.Files() {
						files++
					}
				}
				b.ReportMetric(float64(files), "files")
			})
		}
	}
}
