package volume

import (
	"encoding/binary"
	"math/rand/v2"
	"slices"

	"turnstone/device/sector"
	"turnstone/imager/volume/iso9660"
	"turnstone/imager/volume/tree"
	"turnstone/imager/volume/udf"
)

// oracle tells which files of a disc a reader must find, whatever is missing: a
// plain model of the ways to each, taken from the healthy image. It asks for less
// than a reader may find.
type oracle struct {
	data  []byte
	trees []way
}

// way is one tree with what it takes to come to its root: one set of each.
type way struct {
	root *tree.Node
	take [][]sector.Set // all of them; of each, any
	udf  bool
	path []sector.Set // of an ISO tree: copies of the path table, any
}

func u32(data []byte, at int64) int64 { return int64(binary.LittleEndian.Uint32(data[at:])) }

func bytesOf(at, n int64) sector.Set {
	return sector.Of(sector.Range{First: sector.LBA(at), End: sector.LBA(at + (n+2047)/2048)})
}

func one(a ...int64) []sector.Set {
	var all []sector.Set
	for _, x := range a {
		all = append(all, bytesOf(x, 1))
	}
	return all
}

// newOracle reads the healthy image by the readers, and the places of descriptors
// by itself.
func newOracle(data []byte) *oracle {
	img := wholeImage(data)
	s := tree.NewScan(img)
	o := &oracle{data: data}
	n := img.Sectors()
	if t := udf.Open(s, 0, searched); t != nil {
		w := way{root: t.Root, udf: true}
		anchors := one(256)
		for _, a := range []int64{n - 1, n - 257} {
			if a > 0 && binary.LittleEndian.Uint16(data[a*2048:]) == 2 {
				anchors = append(anchors, one(a)...)
			}
		}
		at := int64(256) * 2048
		main := bytesOf(u32(data, at+20), u32(data, at+16))
		reserve := bytesOf(u32(data, at+28), u32(data, at+24))
		w.take = append(w.take, anchors, []sector.Set{main, reserve})
		// The map's own structures, each without holes: tables and the like are few.
		tables := s.Seen(tree.Table)
		descriptors := s.Seen(tree.Descriptor)
		descriptors = descriptors.Subtract(&main)
		descriptors = descriptors.Subtract(&reserve)
		for r := range descriptors.Runs() {
			for a := r.First; a < r.End; a++ {
				if binary.LittleEndian.Uint16(data[a.Offset():]) == 0x100 {
					w.take = append(w.take, one(int64(a)))
				}
			}
		}
		w.take = append(w.take, []sector.Set{tables})
		if t.Version == "1.50" || t.Version == "2.01" || t.Version == "2.50" {
			w.take = append(w.take, []sector.Set{bytesOf(n-70, 70*2048)}) // where a newer VAT could be
		}
		o.trees = append(o.trees, w)
	}
	for _, t := range iso9660.Open(s, 0, sector.Span(16, searched)) {
		w := way{root: t.Root}
		d := int64(t.Root.Record)
		w.take = append(w.take, one(d))
		size := u32(data, d*2048+132)
		w.path = []sector.Set{bytesOf(u32(data, d*2048+140), size),
			bytesOf(int64(binary.BigEndian.Uint32(data[d*2048+148:])), size)}
		o.trees = append(o.trees, w)
	}
	return o
}

// parentIn is the sector that the directory at a gives as its parent's. (xorriso
// gives the directory's own in its Joliet trees.)
func parentIn(data []byte, a sector.LBA) sector.LBA {
	b := data[a.Offset():]
	return sector.LBA(binary.LittleEndian.Uint32(b[int(b[0])+2:]))
}

func anyOf(sets []sector.Set, good *sector.Set) bool {
	return slices.ContainsFunc(sets, func(s sector.Set) bool {
		rest := s.Subtract(good)
		return rest.Empty()
	})
}

// must is the places of the files that have to be listed when only the good sectors
// are there, each with the files that one tree has there: several are links to one.
func (o *oracle) must(good *sector.Set) map[int64][]*tree.Node {
	most := map[int64][]*tree.Node{}
	for _, w := range o.trees {
		found := map[int64][]*tree.Node{}
		if slices.ContainsFunc(w.take, func(s []sector.Set) bool { return !anyOf(s, good) }) {
			continue
		}
		paths := len(w.path) > 0 && anyOf(w.path, good)
		var below func(n *tree.Node)
		below = func(n *tree.Node) {
			for i, c := range n.Children {
				recorded := good.Contains(c.Record)
				if w.udf {
					// An identifier ends at the latest where the next one begins.
					recorded = recorded && good.Contains(c.At) && i+1 < len(n.Children) && good.Contains(n.Children[i+1].Record)
				}
				switch {
				case c.Kind == tree.Folder:
					// By its record, by the path table, by what it says of itself.
					if recorded || paths && !w.udf || !w.udf && good.Contains(c.At) && parentIn(o.data, c.At) == n.At {
						below(c)
					}
				case c.Kind == tree.Regular && recorded:
					if at, ok := key(c.Extents); ok {
						found[at] = append(found[at], c)
					}
				}
			}
		}
		if !w.udf || good.Contains(w.root.At) {
			below(w.root)
		}
		for at, nodes := range found {
			if len(nodes) > len(most[at]) {
				most[at] = nodes
			}
		}
	}
	return most
}

// holes is a random set of missing sectors of a disc of n: single ones, and runs as
// scratches leave them; near what is hot more often than elsewhere.
func holes(r *rand.Rand, n int64, hot []sector.LBA) sector.Set {
	var s sector.Set
	for range 1 + r.IntN(1<<r.IntN(7)) {
		a := sector.LBA(r.Int64N(n))
		if len(hot) > 0 && r.IntN(4) > 0 {
			a = hot[r.IntN(len(hot))]
		}
		length := int64(1)
		switch r.IntN(4) {
		case 0:
			length, a = 16, a/16*16
		case 1:
			length = 1 + r.Int64N(40)
		}
		s.Add(sector.Span(a, length))
	}
	disc := sector.Of(sector.Span(0, n))
	return s.Intersect(&disc)
}
