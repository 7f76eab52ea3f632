package volume

import (
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// What is counted is what going through the holes comes to.
func TestCounterAsHoles(t *testing.T) {
	for seed := range uint64(3000) {
		r := rand.New(rand.NewPCG(seed, 3))
		const n = 60
		var good sector.Set
		for range r.IntN(8) {
			good.Add(sector.Span(sector.LBA(r.Int64N(n)), 1+r.Int64N(9)))
		}
		c := newCounter(&good)
		for range 20 {
			x := tree.Extent{Place: tree.Place(r.IntN(3)), At: r.Int64N(n * sector.Size), Length: r.Int64N(12 * sector.Size)}
			if r.IntN(3) == 0 {
				x.At, x.Length = x.At/sector.Size*sector.Size, x.Length/sector.Size*sector.Size
			}
			want := int64(0)
			for hole := range tree.Holes(&good, []tree.Extent{x}) {
				want += hole.End - hole.First
			}
			if got := c.missing(x); got != want {
				t.Fatalf("seed %d: missing(%+v) with %v good = %d; want %d", seed, x, runs(&good), got, want)
			}
		}
	}
}

// A disc on which every file has every hole is judged without going through them: of
// this one it would be a hundred billion.
func TestManyNamesOfManyHoles(t *testing.T) {
	const disc = 2298496 // sectors of a DVD of one layer
	data := bombs()["iso, many files"]()
	for a := 100; a < 39100; a++ {
		for n := range 60 {
			if r := data[a*sector.Size+34*n:]; a > 100 || n > 0 {
				binary.LittleEndian.PutUint32(r[10:], 1<<31) // 2 GiB
			}
		}
	}
	s := &sparse{front: data, n: disc}
	good := []sector.Range{sector.Span(0, int64(len(data)/sector.Size))}
	for a := good[0].End; a < disc; a += 2 {
		good = append(good, sector.Span(a, 1))
	}
	s.good = sector.Of(good...)
	v, err := Open(s, Options{})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for e := range v.Files() {
		if n++; e.MissingBytes < 1<<29 {
			t.Fatalf("%q misses %d bytes; want about half of 2 GiB", e.Name, e.MissingBytes)
		}
	}
	if n < 100_000 {
		t.Errorf("%d files: the test tests nothing", n)
	}
}
