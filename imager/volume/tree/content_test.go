package tree

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"slices"
	"testing"

	"turnstone/device/sector"
)

// random is a disc of n sectors with holes, and extents all over it.
func random(r *rand.Rand, n int) (data []byte, good sector.Set, extents []Extent) {
	data = make([]byte, n*sector.Size)
	for i := range data {
		data[i] = byte(r.Uint32())
	}
	for range r.IntN(10) {
		good.Add(sector.Span(sector.LBA(r.IntN(n)), int64(r.IntN(8))))
	}
	disc := sector.Of(sector.Span(0, int64(n)))
	good = good.Intersect(&disc)
	var node Node
	for range r.IntN(8) {
		e := Extent{Length: 1 + r.Int64N(5000), Place: Place(r.IntN(3))}
		if e.Place == Recorded {
			e.At = r.Int64N(int64(len(data)) - e.Length)
		}
		node.Append(e)
	}
	return data, good, node.Extents
}

// Holes and ReadAt do for runs what this does byte by byte.
func TestContentAsByteByByte(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	for range 300 {
		data, good, extents := random(r, 20)
		var want []byte
		var there []bool
		for _, e := range extents {
			for i := range e.Length {
				switch at := e.At + i; e.Place {
				case Zeros:
					want, there = append(want, 0), append(there, true)
				case Unplaced:
					want, there = append(want, 0), append(there, false)
				case Recorded:
					want, there = append(want, data[at]), append(there, good.Contains(sector.LBA(at/sector.Size)))
				}
			}
		}
		got := make([]bool, len(there))
		for i := range got {
			got[i] = true
		}
		last := Span{-1, -1}
		for h := range Holes(&good, extents) {
			if h.First <= last.End || h.First >= h.End {
				t.Fatalf("Holes gives %+v behind %+v; want them apart and in order", h, last)
			}
			for i := h.First; i < h.End; i++ {
				got[i] = false
			}
			last = h
		}
		if !slices.Equal(got, there) {
			t.Fatalf("Holes(%v, %+v) tells other bytes than those that are missing", good, extents)
		}
		c := NewContent(Holed(bytes.NewReader(data), 20, &good), extents)
		if c.Size() != int64(len(want)) {
			t.Fatalf("Size() = %d; want %d", c.Size(), len(want))
		}
		for range 20 {
			off := r.IntN(len(want) + 2)
			buf := make([]byte, r.IntN(9000))
			n, err := c.ReadAt(buf, int64(off))
			end := min(len(want), off+len(buf))
			stop := -1
			if off < end {
				stop = slices.Index(there[off:end], false)
			}
			switch {
			case off > len(want) || stop < 0 && off+len(buf) > len(want):
				if err != io.EOF && len(buf) > 0 {
					t.Fatalf("ReadAt(%d bytes, %d) of %d: %v; want EOF", len(buf), off, len(want), err)
				}
			case stop >= 0:
				// It may stop at the sector's or the extent's border before the byte.
				if !errors.Is(err, ErrMissing) || n > stop {
					t.Fatalf("ReadAt(%d bytes, %d) = %d, %v; want ErrMissing after at most %d", len(buf), off, n, err, stop)
				}
			case err != nil:
				t.Fatalf("ReadAt(%d bytes, %d): %v", len(buf), off, err)
			}
			if n > 0 && !bytes.Equal(buf[:n], want[off:off+n]) {
				t.Fatalf("ReadAt(%d bytes, %d) gives other bytes", len(buf), off)
			}
		}
	}
}

func TestHolesStops(t *testing.T) {
	var good sector.Set
	good.Add(sector.Span(1, 1))
	n := 0
	for range Holes(&good, []Extent{{Length: 3 * sector.Size}}) {
		if n++; n == 1 {
			break
		}
	}
	if n != 1 {
		t.Errorf("Holes went on %d times after a break", n)
	}
}
